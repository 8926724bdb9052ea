"""Text to typed rows; accepted rows apart from those held back, with a finding for each fault."""

from pipeline.validate.report import without_identifiers
from pipeline.validate.split import SOURCE_NUMBER, Checked, checked, combined, validated

__all__ = ["SOURCE_NUMBER", "Checked", "checked", "combined", "validated", "without_identifiers"]
