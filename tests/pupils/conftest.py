"""The browser that the pupils' pages are looked at with."""

from tests.browser import browser, look

__all__ = ["browser", "look"]
