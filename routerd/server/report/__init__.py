"""The jitter report: how well every tick kept its place, in numbers and in words."""

from routerd.server.report.collect import TickLog
from routerd.server.report.measurements import Measurements
from routerd.server.report.schema import REPORT_SCHEMA
from routerd.server.report.text import render_text

__all__ = ["REPORT_SCHEMA", "Measurements", "TickLog", "render_text"]
