"""The outward edition: what may be read outside the department."""

from __future__ import annotations

from pipeline.publish.outward.edition import Outcome, write_outward

__all__ = ["Outcome", "write_outward"]
