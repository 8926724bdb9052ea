"""Defaults of settings that name entries of the built-in catalogue. The program itself names none."""

#: Outcomes of the surgeons' tables; one that a workspace's catalogue lacks is dropped.
SURGEON_OUTCOMES = ("any_complication", "revision")
