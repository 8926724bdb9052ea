"""Defaults of settings that name entries of the built-in catalogue. The program itself names none."""

#: Outcomes of the surgeons' tables; one that a workspace's catalogue lacks is dropped.
SURGEON_OUTCOMES = ("any_complication", "revision")

#: Outcomes of the printed handout; one that a workspace's catalogue lacks is dropped.
HANDOUT_OUTCOMES = ("any_complication", "stiffness", "fixation_site_fracture", "instability", "revision")

#: Days of the case between which a score, a motion or an answer about sport says how it went; the last one counts.
HOW_IT_WENT = (180, 730)
#: Day of the case to which a site's records must reach before answers about sport are counted.
TOLD_OF_SPORT = 365
