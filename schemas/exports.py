"""Tables a hospital sends: one `Table` each, in the words and the order of the contract.

Only shapes and meanings stand here; no table is read or checked in this module. Places (`joint`, `bone`),
`fixation`, `reason` and codes have no vocabulary of their own: they are compared with the catalogue in
force. Every table may carry `record_status` and `recorded_at`, by which versions of a record are told apart.
"""

from __future__ import annotations

from schemas.columns import Column, Table

#: Words of `side` where an operation states it; other tables may leave it empty.
ALLOWED_SIDES: tuple[str, ...] = ("left", "right", "bilateral", "none")

OURS = "our decision"
PRACTICE = "common practice, no source"
CONTRACT = "limbaudit contract 1"
SEVERITY = "Dindo 2004, Ann Surg 240:205; orthopaedic form Sink 2012, Clin Orthop Relat Res 470:2220"
AGES = "45 CFR 164.514(b)(2): ages over 89 identify people"
ASA = "American Society of Anesthesiologists, Physical Status Classification, classes I to V (from memory)"

SEVERITY_GRADES = ("I", "II", "III", "IIIa", "IIIb", "IV", "IVa", "IVb", "V")
MANAGEMENT = (
    "none",
    "observation",
    "medication",
    "injection",
    "aspiration",
    "brace",
    "closed_reduction",
    "theatre",
    "other",
)


def _patient() -> Column:
    return Column(
        "patient_id",
        "id",
        "Pseudonym of the patient, the same in every table of the site.",
        required=True,
        source=CONTRACT,
    )


def _operation() -> Column:
    return Column(
        "operation_id",
        "id",
        "Operation of the same site and patient that the record belongs to, if the sender knows it.",
        source=CONTRACT,
    )


def _side() -> Column:
    return Column(
        "side",
        "word",
        "Side of the body the record speaks of; empty if not written down.",
        vocabulary=ALLOWED_SIDES,
        source=CONTRACT,
    )


def _joint(required: bool = False) -> Column:
    return Column(
        "joint",
        "word",
        "Joint the record speaks of, a word of the catalogue in force.",
        required=required,
        source="catalogue in force, joints",
    )


def _note() -> Column:
    return Column(
        "note",
        "note",
        "Free text; optional, screened for identifiers, never decides a count.",
        source=CONTRACT,
    )


def _yes_no(name: str, description: str, source: str = PRACTICE) -> Column:
    return Column(name, "yes_no", description, source=source)


def _instability_level() -> Column:
    return Column(
        "instability_level",
        "integer",
        "How the joint gave way: 1 dislocation reduced by others or proven by imaging, 2 dislocation "
        "the patient reduced, 3 subluxation, 4 apprehension with symptoms, 5 laxity only.",
        low=1,
        high=5,
        source=OURS,
    )


def _version() -> tuple[Column, Column]:
    status = Column(
        "record_status",
        "word",
        "`withdrawn` takes the record back; empty means `active`.",
        vocabulary=("active", "withdrawn"),
        source=CONTRACT,
    )
    recorded = Column(
        "recorded_at", "moment", "When this version of the record was written at the source.", source=CONTRACT
    )
    return status, recorded


_WHAT_WAS_DONE = (
    Column(
        "operation_id", "id", "Pseudonym of the operation, once per site.", required=True, source=CONTRACT
    ),
    _patient(),
    Column("performed_on", "date", "Day of the operation.", required=True, source=CONTRACT, display="day"),
    Column(
        "procedure_code",
        "code",
        "Code of what was done; the catalogue in force says which procedure it is.",
        required=True,
        source="catalogue in force, codes of procedures",
    ),
    Column(
        "procedure_system",
        "text",
        "Code system of `procedure_code`, for example `ICD-10-PCS`; empty means `local`.",
        source=CONTRACT,
    ),
    Column(
        "side",
        "word",
        "Side operated on; `bilateral` stands for two cases, `none` for an operation without a side.",
        required=True,
        vocabulary=ALLOWED_SIDES,
        source=CONTRACT,
    ),
    Column(
        "status",
        "word",
        "Whether the operation took place; only performed ones count, and empty means `performed`.",
        vocabulary=("performed", "booked", "cancelled", "abandoned"),
        source=CONTRACT,
    ),
    Column(
        "surgeon_id",
        "id",
        "Pseudonym of the responsible surgeon; empty is kept as unattributed.",
        source=CONTRACT,
    ),
    Column(
        "operated_by",
        "word",
        "Who held the knife, by role; trainees are never named.",
        vocabulary=("responsible_surgeon", "trainee_with_surgeon", "trainee_alone"),
        source=OURS,
    ),
)

_WHO_WAS_OPERATED_ON = (
    Column(
        "age_years",
        "integer",
        "Age at the operation in completed years; 90 stands for 90 and over.",
        required=True,
        low=0,
        high=90,
        unit="years",
        source=AGES,
        display="count",
    ),
    Column(
        "sex",
        "word",
        "Sex as recorded by the hospital.",
        required=True,
        vocabulary=("female", "male", "other", "unknown"),
        source=CONTRACT,
    ),
    Column(
        "asa_class",
        "integer",
        "Fitness for anaesthesia, 1 (healthy) to 5 (moribund).",
        low=1,
        high=5,
        source=ASA,
    ),
    Column(
        "urgency",
        "word",
        "How soon the operation had to be done.",
        vocabulary=("elective", "urgent", "emergency"),
        source=PRACTICE,
    ),
    Column("diagnosis_code", "code", "Diagnosis that led to the operation.", source="ICD-10-CM"),
    Column(
        "diagnosis_system",
        "text",
        "Code system of `diagnosis_code`; empty means `ICD-10-CM`.",
        source=CONTRACT,
    ),
)

_HOW_IT_WAS_DONE = (
    Column(
        "fixation",
        "words",
        "Ways the repair was fixed, words of the catalogue joined by `;`.",
        source="catalogue in force, fixations of procedures",
    ),
    Column(
        "implant_count",
        "integer",
        "Implants put in at this operation.",
        low=0,
        high=100,
        unit="implants",
        source=OURS,
        display="count",
    ),
    Column("approach", "text", "Surgical approach in the department's own words.", source=PRACTICE),
    Column(
        "lesion_class", "text", "What was found, in the department's own classification.", source=PRACTICE
    ),
    Column(
        "concomitant_codes",
        "words",
        "Codes of what else was done at the same sitting, joined by `;`.",
        source="catalogue in force, codes of procedures",
    ),
    _yes_no(
        "planned", "Whether the operation was planned at an earlier one; empty counts as unplanned.", OURS
    ),
    Column(
        "planned_with", "id", "First operation at which this one was planned, of the same site.", source=OURS
    ),
    Column(
        "planned_as",
        "word",
        "What was planned: a further stage, or taking the implants out.",
        vocabulary=("stage", "removal"),
        source=OURS,
    ),
    Column(
        "planned_on",
        "date",
        "Day the plan was written; a plan made after the first operation goes to review.",
        source=OURS,
        display="day",
    ),
    Column(
        "anaesthesia",
        "word",
        "Kind of anaesthesia; a later operation without it is no return to theatre, empty counts as one.",
        vocabulary=("general", "regional", "sedation", "local", "none"),
        source=PRACTICE,
    ),
    Column(
        "reason",
        "word",
        "Why the patient came back to theatre, a category of the catalogue in force.",
        source="catalogue in force, complications",
    ),
)

_BEFORE_THE_OPERATION = (
    _yes_no("prior_operation_same_joint", "Whether the joint had been operated on before."),
    _yes_no("smoker", "Whether the patient smoked at the time of the operation."),
    _yes_no("diabetes", "Whether the patient had diabetes at the time of the operation."),
    _yes_no("growth_plates_open", "Whether the growth plates near the joint were still open."),
    _yes_no("claim", "Whether a compensation or legal claim about the joint was open."),
    Column(
        "bmi",
        "number",
        "Body mass index at the operation.",
        low=10,
        high=80,
        unit="kg/m2",
        source="weight by height squared: common practice; limits: " + OURS,
        display="decimal",
    ),
    Column(
        "earlier_episodes",
        "integer",
        "Dislocations of the joint before the operation.",
        low=0,
        high=1000,
        unit="dislocations",
        source=OURS,
        display="count",
    ),
    Column(
        "dominant_side", "word", "The patient's dominant side.", vocabulary=("left", "right"), source=PRACTICE
    ),
    Column(
        "sport",
        "word",
        "Kind of sport the patient did most before the operation.",
        vocabulary=("overhead", "pivoting", "contact", "endurance", "other", "none"),
        source=OURS,
    ),
    Column(
        "sport_level",
        "word",
        "Level at which the patient did sport before the operation.",
        vocabulary=("none", "recreational", "competitive", "professional"),
        source=OURS,
    ),
    Column(
        "onset_on", "date", "Day of the injury or of the first complaint.", source=PRACTICE, display="day"
    ),
    Column(
        "nonoperative_weeks",
        "integer",
        "Weeks of treatment without an operation before this one.",
        low=0,
        high=520,
        unit="weeks",
        source=OURS,
        display="count",
    ),
)

OPERATIONS = Table(
    "operations",
    "One operation on one side; several rows at one sitting become one case.",
    (*_WHAT_WAS_DONE, *_WHO_WAS_OPERATED_ON, *_HOW_IT_WAS_DONE, *_BEFORE_THE_OPERATION, *_version()),
    key=("operation_id",),
)

EVENTS = Table(
    "events",
    "Something that happened to a patient, told by a code, a structured column or a note.",
    (
        Column("event_id", "id", "Pseudonym of the event, once per site.", required=True, source=CONTRACT),
        _patient(),
        Column("occurred_on", "date", "Day it happened.", required=True, source=CONTRACT, display="day"),
        Column("code", "code", "Code of what happened.", source="ICD-10-CM, or the site's own list"),
        Column("code_system", "text", "Code system of `code`; empty means `ICD-10-CM`.", source=CONTRACT),
        _operation(),
        _side(),
        _joint(),
        Column(
            "bone",
            "word",
            "Bone the record speaks of, a word of the catalogue in force.",
            source="catalogue in force, bones of joints",
        ),
        Column(
            "through_fixation_site",
            "word",
            "Whether a fracture runs through a hole, a bone cut or the end of an implant of the operation.",
            vocabulary=("yes", "no", "unsure"),
            source=OURS,
        ),
        Column(
            "energy",
            "word",
            "How violent the cause was: none, low (a fall from standing) or high.",
            vocabulary=("none", "low", "high"),
            source=PRACTICE,
        ),
        _instability_level(),
        Column(
            "reduced_by",
            "word",
            "Who put the joint back.",
            vocabulary=("self", "others", "spontaneous", "none"),
            source=OURS,
        ),
        Column(
            "severity_grade",
            "word",
            "How much treatment the complication needed, I to V.",
            vocabulary=SEVERITY_GRADES,
            source=SEVERITY,
        ),
        Column(
            "management",
            "word",
            "What was done about it, the most invasive step.",
            vocabulary=MANAGEMENT,
            source=OURS,
        ),
        Column(
            "source",
            "word",
            "Where the sender learned of it; `external` is another institution.",
            vocabulary=("coded", "theatre", "letter", "clinic", "radiology", "patient", "external"),
            source=OURS,
        ),
        _note(),
        *_version(),
    ),
    key=("event_id",),
)

FOLLOWUPS = Table(
    "followups",
    "One contact with a patient after an operation, or one that failed.",
    (
        Column(
            "followup_id", "id", "Pseudonym of the contact, once per site.", required=True, source=CONTRACT
        ),
        _patient(),
        Column("seen_on", "date", "Day of the contact.", required=True, source=CONTRACT, display="day"),
        Column(
            "status",
            "word",
            "How the contact went; only `seen` and `remote` observe the patient.",
            required=True,
            vocabulary=("seen", "remote", "did_not_attend", "declined", "withdrawn", "moved", "died"),
            source=OURS,
        ),
        _operation(),
        _side(),
        _joint(),
        _instability_level(),
        Column(
            "return_to_sport",
            "word",
            "Sport at this contact against the level before the operation.",
            vocabulary=("same_or_higher", "lower", "none", "not_asked", "not_applicable"),
            source=OURS,
        ),
        Column("returned_on", "date", "Day the patient was back at sport.", source=OURS, display="day"),
        Column(
            "not_returned_because",
            "word",
            "Main reason for not being back at sport.",
            vocabulary=("operated_limb", "fear", "other_health", "life_change", "other"),
            source=OURS,
        ),
        Column(
            "pain",
            "integer",
            "Pain on the numeric rating scale, 0 none to 10 worst imaginable.",
            low=0,
            high=10,
            unit="points",
            source="numeric rating scale 0-10: common practice, no source",
            display="count",
        ),
        _note(),
        *_version(),
    ),
    key=("followup_id",),
)

MEASUREMENTS = Table(
    "measurements",
    "One reading of motion or one score of a patient on one day.",
    (
        Column(
            "measurement_id", "id", "Pseudonym of the reading, once per site.", required=True, source=CONTRACT
        ),
        _patient(),
        Column("measured_on", "date", "Day of the reading.", required=True, source=CONTRACT, display="day"),
        _joint(required=True),
        Column(
            "measure",
            "word",
            "What was read: `forward_flexion`, `external_rotation`, `abduction`, `flexion`, "
            "`extension_deficit` (degrees short of straight, beyond straight negative) or the name of a score.",
            required=True,
            source=CONTRACT,
        ),
        Column(
            "mode",
            "word",
            "Whether the examiner or the patient moved the limb; `none` for a score.",
            required=True,
            vocabulary=("passive", "active", "none"),
            source=PRACTICE,
        ),
        Column(
            "value",
            "number",
            "The reading; motions lie between -30 and 200 degrees, which is checked by row.",
            required=True,
            low=-200,
            high=1000,
            unit="as in the column `unit`",
            source=OURS,
            display="decimal",
        ),
        Column(
            "unit",
            "word",
            "Unit of `value`: degrees for motion, points for a score.",
            required=True,
            vocabulary=("deg", "points"),
            source=CONTRACT,
        ),
        _operation(),
        _side(),
        *_version(),
    ),
    key=("measurement_id",),
)

PATIENTS = Table(
    "patients",
    "What is known of a patient beyond single operations; optional.",
    (
        _patient(),
        Column(
            "sex",
            "word",
            "Sex as recorded by the hospital.",
            vocabulary=("female", "male", "other", "unknown"),
            source=CONTRACT,
        ),
        Column("died_on", "date", "Day of death.", source=CONTRACT, display="day"),
        Column(
            "moved_away_on",
            "date",
            "Day from which the site no longer sees the patient.",
            source=CONTRACT,
            display="day",
        ),
        *_version(),
    ),
    key=("patient_id",),
)

SURGEONS = Table(
    "surgeons",
    "When a surgeon worked at the site; optional.",
    (
        Column("surgeon_id", "id", "Pseudonym of the surgeon.", required=True, source=CONTRACT),
        Column("active_from", "date", "First day of work at the site.", source=CONTRACT, display="day"),
        Column(
            "active_to",
            "date",
            "Last day of work at the site; empty while working.",
            source=CONTRACT,
            display="day",
        ),
        *_version(),
    ),
    key=("surgeon_id",),
)

EXPORTS: dict[str, Table] = {
    table.name: table for table in (OPERATIONS, EVENTS, FOLLOWUPS, MEASUREMENTS, PATIENTS, SURGEONS)
}

#: What an absent or empty cell means, by table and column.
DEFAULTS: dict[str, dict[str, str]] = {
    name: {"record_status": "active"} for name in EXPORTS
}  # fmt: skip
DEFAULTS["operations"] |= {
    "procedure_system": "local",
    "status": "performed",
    "diagnosis_system": "ICD-10-CM",
}
DEFAULTS["events"] |= {"code_system": "ICD-10-CM"}

#: Column that identifies a record within its site.
ID_COLUMN: dict[str, str] = {name: table.key[0] for name, table in EXPORTS.items()}

#: Column that says on which day the record happened; patients and surgeons have none.
DAY_COLUMN: dict[str, str] = {
    "operations": "performed_on",
    "events": "occurred_on",
    "followups": "seen_on",
    "measurements": "measured_on",
}
