"""The findings as one page of HTML that needs nothing but a browser."""

from miner.report.page import report

__all__ = ["report"]
