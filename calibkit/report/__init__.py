"""The report: first plain data, then a page, terminal text or JSON made from it."""

from __future__ import annotations
