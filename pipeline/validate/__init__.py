"""Text to typed rows; accepted rows apart from those held back, with a finding for each fault."""

from pipeline.validate.split import Checked, checked, combined, validated

__all__ = ["Checked", "checked", "combined", "validated"]
