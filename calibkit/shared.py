"""What people have in common, learned from the recordings of several."""

from __future__ import annotations

from calibkit.prior import SharedMapping as SharedMapping
