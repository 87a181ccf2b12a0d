"""The jitter report: how well every tick kept its place, in numbers and in words."""

from routerd.server.report.figures import Conditions, Report
from routerd.server.report.measurements import Measurements
from routerd.server.report.text import render_text
from routerd.server.report.tick_log import TickLog

__all__ = ["Conditions", "Measurements", "Report", "TickLog", "render_text"]
