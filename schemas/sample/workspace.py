"""The rest of the demo workspace: settings, catalogue, mappings, what reviewers wrote, the truth, the README."""

from __future__ import annotations

import io
from pathlib import Path

import pandas as pd

from schemas.sample import courses
from schemas.sample.hospitals import HOSPITALS, Form, Hospital, dates_as_text
from schemas.sample.people import OPERATIONS
from schemas.sample.story import Story

LATER_OPERATIONS = {
    "manipulation_under_anaesthesia": courses.MANIPULATION,
    "capsular_release": courses.RELEASE,
    "implant_removal": courses.REMOVAL,
    "fracture_fixation": courses.FIXATION,
    "washout": courses.WASHOUT,
    "refixation": courses.REFIXATION,
    "nonunion_repair": courses.NON_UNION_REPAIR,
}
OWN_DIAGNOSES = {
    "wound_or_haematoma": courses.WOUND,
    "nerve_injury": courses.NERVE,
    "repair_failure": courses.LOSS,
    "non_union": courses.NON_UNION,
    "persistent_pain": courses.PAIN,
}


def write_settings(folder: Path) -> None:
    """`audit.toml`, `catalogue.toml` and the mappings."""
    (folder / "audit.toml").write_text(_audit(), encoding="utf-8", newline="\n")
    (folder / "catalogue.toml").write_text(_catalogue(), encoding="utf-8", newline="\n")
    (folder / "mappings").mkdir(exist_ok=True)
    for hospital in HOSPITALS:
        if any(form.headers for form in hospital.forms):
            path = folder / "mappings" / f"{hospital.site}.toml"
            path.write_text(_mapping(hospital), encoding="utf-8", newline="\n")


def _audit() -> str:
    sites = "\n\n".join(
        f'[sites.{hospital.site}]\nname = "{hospital.name}"\nsends = "{hospital.sends}"\ndue_day = {hospital.due_day}'
        for hospital in HOSPITALS
    )
    return f"""# Settings of the demo: three invented hospitals that compare two operations for a kneecap that
# keeps dislocating. Whatever is not said here has its default.
contract = 1
period = "month"

{sites}

# A narrower group, shown beside everybody.
[groups.young_athletes]
age_below = 30
isolated = true
where = {{ sport = ["pivoting", "contact"] }}

# Stated before looking: everybody, one outcome, one window. Age differs between the arms; see the adjusted columns.
[primary]
a = "ligament_reconstruction"
b = "tubercle_transfer"
category = "any_complication"
window = 365

[[compare]]
a = "ligament_reconstruction"
b = "tubercle_transfer"
among = "young_athletes"

[[compare]]
by = "fixation"
within = "clavicle_plate"
a = "plate_superior"
b = "plate_anterior"
"""


def _catalogue() -> str:
    lines = ["# The network's own codes; everything else is built in."]
    for operation in OPERATIONS:
        lines += ["", f"[procedures.{operation.key}]", f'codes.local = ["{operation.code}"]']
    for key, code in LATER_OPERATIONS.items():
        lines += ["", f"[procedures.{key}]", f'codes.local = ["{code}"]']
    for key, code in OWN_DIAGNOSES.items():
        lines += ["", f"[complications.{key}]", f'codes.local = ["{code}"]']
    return "\n".join([*lines, ""])


def _mapping(hospital: Hospital) -> str:
    lines = [f"# How {hospital.name} writes its exports.", "contract = 1"]
    if hospital.date_format != "%Y-%m-%d":
        lines.append('date_order = "DMY"')
    if hospital.decimal == ",":
        lines.append('decimal = ","')
    if hospital.encoding != "utf-8":
        lines += [f'encoding = "{hospital.encoding}"', f'delimiter = "{hospital.delimiter}"']
    for form in hospital.forms:
        lines += ["", *_mapped_table(form)]
    return "\n".join([*lines, ""])


def _mapped_table(form: Form) -> list[str]:
    stem, ending = form.file.split(".")
    lines = ["[[table]]", f'table = "{form.table}"', f'file = "{stem}*.{ending}"']
    if form.sheet:
        lines.append(f'sheet = "{form.sheet}"')
    lines.append(f"columns = {_inline(form.headers)}")
    lines += [f"values.{name} = {_inline({own: word for word, own in words.items()})}"
              for name, words in form.words.items()]  # fmt: skip
    if form.constants:
        lines.append(f"constants = {_inline(form.constants)}")
    if form.wide:
        of = _inline({header: measure for measure, header in form.wide.items()})
        lines.append(f'unpivot = {{ column = "measure", value = "value", of = {of} }}')
    return lines


def _inline(words: dict[str, str]) -> str:
    def key(name: str) -> str:
        return name if name.replace("_", "").replace("-", "").isalnum() and name.isascii() else f'"{name}"'

    return "{ " + ", ".join(f'{key(name)} = "{word}"' for name, word in words.items()) + " }"


def write_reviews(folder: Path, story: Story) -> None:
    """Decisions by reviewer and month, links and merges; nothing where there is none."""
    decided = _all_text(story.decisions)
    for (reviewer, month), rows in decided.groupby(["reviewer", decided["decided_on"].str[:7]]):
        _write_csv(folder / "decisions" / str(reviewer) / f"{month}.csv", rows)
    for name, rows in (("links", story.links), ("merges", story.merges)):
        if len(rows):
            _write_csv(folder / name / "2026-10.csv", _all_text(rows))


def write_truth(folder: Path, story: Story, faults: pd.DataFrame, canaries: tuple[str, ...]) -> None:
    """What a right count finds, the faults planted, and the identifiers that may appear in no output."""
    truth = folder / "truth"
    _write_csv(truth / "cases.csv", _all_text(story.cases))
    _write_csv(truth / "complications.csv", story.complications)
    _write_csv(truth / "faults.csv", faults)
    (truth / "canaries.txt").write_text(
        "".join(f"{each}\n" for each in canaries), encoding="utf-8", newline="\n"
    )
    (truth / "README.md").write_text(TRUTH_README, encoding="utf-8", newline="\n")


def _all_text(rows: pd.DataFrame) -> pd.DataFrame:
    dated = [name for name in rows.columns if name.endswith("_on")]
    return rows.assign(**{name: dates_as_text(rows[name], "%Y-%m-%d") for name in dated})


def _write_csv(path: Path, rows: pd.DataFrame) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    text = io.StringIO()
    rows.to_csv(text, index=False, lineterminator="\n")
    path.write_bytes(text.getvalue().encode("utf-8"))


TRUTH_README = """# Truth

For tests only; no stage reads this folder. `cases.csv` lists every index case of the story, `complications.csv`
what has to be found for it once everything received is used: a row for each case, category and level, with the
day after the operation, where the strongest evidence stands (`how`), and the status. A `return` to theatre, a
`measurement` and a reviewers' `decision` settle a complication; a `code` or a `field` makes it probable. Rows with
status `counted` are complete for the main levels of every category, so they can be compared as sets; other levels
and other statuses list what the story planted and may not be everything a run finds. `faults.csv` says which faults
were planted in which file, and `canaries.txt` holds identifiers written into letters, which must appear in no output.
"""
