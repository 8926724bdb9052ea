"""Intake: what hospitals really send, read and brought into the contract's columns, every row accounted for."""

from pipeline.intake.arrivals import newest_receipt
from pipeline.intake.mapping import Mapping
from pipeline.intake.mapping_reading import load_mapping
from pipeline.intake.receive import receive_all

__all__ = ["Mapping", "load_mapping", "newest_receipt", "receive_all"]
