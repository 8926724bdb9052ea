"""Sentences for invented letters. Nobody real is described; `{side}` and `{joint}` are filled in."""

WELL = (
    "Doing well. No stiffness, no giving way, wound dry.",
    "Scar quiet, full strength, no complaints today.",
    "Back to stairs without holding on. Risk of a new injury discussed.",
    "No sign of infection. Continues with physiotherapy.",
    "Complications: nil.",
    "Joint stable on examination, apprehension test negative.",
)
DISLOCATED = (
    "The {joint} came out again playing football, reduced in the emergency department.",
    "Slipped on wet steps; {side} {joint} dislocated and was put back under sedation.",
    "Renewed dislocation of the {side} {joint} while turning, reduced by the ambulance crew.",
)
DISLOCATED_AGAIN = (
    "The {side} {joint} dislocated a second time on the stairs, reduced in the emergency department.",
    "Second dislocation of the {side} {joint}, in bed; put back under sedation.",
    "{side} {joint} out again after a stumble, reduced by the ambulance crew.",
)
SELF_REDUCED = (
    "Felt the {side} {joint} jump out and pushed it back before anyone came.",
    "{side} {joint} out for a moment at practice, slid back when the limb was straightened.",
)
SUBLUXED = (
    "{side} {joint} slips half out on pivoting, seen again in clinic today.",
    "Partial displacement of the {side} {joint} on landing, never fully out.",
)
APPREHENSIVE = ("Afraid the {joint} might go, pulls away on testing; it has not come out.",)
LAX = ("Both limbs loose jointed as before; no event since the operation.",)
STIFF_LETTER = (
    "Writes that the {side} {joint} is stiff and that stairs are slow; not measured.",
    "General practitioner reports a stiff {side} {joint}, no figures given.",
)
UNSURE = (
    "Telephone call: a click and a pain in the {side} {joint}, asked to come in.",
    "Seen elsewhere on holiday for the {side} {joint}; papers awaited.",
    "Mother rings: swelling of the {side} {joint} since the weekend.",
)
CRACKED = (
    "Fall on ice; film shows a break through the drill hole.",
    "Sudden pain on a step, the line runs into the bone cut.",
    "Twisted the limb; fracture at the end of the fixation.",
)
PATIENT_SAYS = ("Says the {side} {joint} went out and in again abroad; nobody saw it.",)
ABSCESS = ("Stitch abscess opened in clinic; side not written on the sheet.",)
