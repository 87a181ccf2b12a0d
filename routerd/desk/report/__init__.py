"""The jitter report: how well every tick kept its place, in numbers and in words."""

from routerd.desk.report.collect import TickLog
from routerd.desk.report.measurements import Measurements
from routerd.desk.report.schema import REPORT_SCHEMA
from routerd.desk.report.text import render_text

__all__ = ["REPORT_SCHEMA", "Measurements", "TickLog", "render_text"]
