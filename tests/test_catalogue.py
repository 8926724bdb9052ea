"""The catalogue: how a workspace's file is laid over the built-in one, what it rejects, which code wins."""

import re
from pathlib import Path

import pytest

from pipeline import findings
from pipeline.catalogue import Catalogue, Joint, load_catalogue, markdown
from pipeline.catalogue_reading import catalogue_from_text
from pipeline.code_matching import CodeIndex, initial_encounter, normalised_code
from pipeline.errors import WrongUse

OWN = """\
builtin = false
[joints.hip]
bones = ["femur", "pelvis"]
[procedures.fixing]
joint = "hip"
index = true
holes_in = ["femur"]
codes.local = ["F1"]
[procedures.fixing_again]
redo = true
implies = ["loosening"]
reasons = "loosening"
codes.local = ["F2"]
[complications.loosening]
codes.local = ["L1"]
"""


@pytest.fixture(scope="module")
def built_in():
    return load_catalogue()


# ------------------------------------------------------------------ the built-in entries


def test_built_in_categories_and_their_levels(built_in):
    levels = {
        key: [level.key for level in entry.levels]
        for key, entry in built_in.complications.items()
        if len(entry.levels) > 1
    }
    # the project's design: main level first
    assert levels == {
        "stiffness": ["persistent", "single_reading", "severe", "treated"],
        "fixation_site_fracture": ["any", "low_energy"],
        "instability": ["primary", "strict", "repeated", "described", "laxity"],
        "revision": ["any_return", "redone"],
    }
    assert len(built_in.complications) == 15
    assert built_in.differs == ()
    assert built_in.notes == ()


def test_built_in_lists_no_local_codes(built_in):
    kinds = (built_in.procedures, built_in.complications, built_in.joints)
    assert not [entry.key for kind in kinds for entry in kind.values() if "local" in entry.codes]


def test_three_kneecap_operations_treat_one_problem(built_in):
    same = {entry.concerns for entry in built_in.procedures.values() if entry.joint == "patellofemoral"}
    assert len(same) == 1


def test_built_in_codes_are_codes_of_the_published_list(built_in):
    """Outside source: ICD-10-CM, release April 2026, as in simple-icd-10-cm 1.5.0."""
    icd = pytest.importorskip("simple_icd_10_cm")
    patterns = {
        *(p for entry in built_in.joints.values() for p in entry.codes["ICD-10-CM"]),
        *(r.pattern for entry in built_in.complications.values() for r in entry.codes.get("ICD-10-CM", ())),
    }
    assert patterns
    unknown = [p for p in patterns if not icd.is_valid_item(p.removesuffix("*"))]
    unfinished = [p for p in patterns if not p.endswith("*") and not icd.is_leaf(p)]
    assert (unknown, unfinished) == ([], [])


# official descriptions beside each code: ICD-10-CM, release April 2026
@pytest.mark.parametrize(
    ("code", "key", "specific", "level", "subsequent"),
    [
        (
            "S83.004A",
            "instability",
            True,
            "strict",
            False,
        ),  # unspecified dislocation of right patella, initial
        ("s83004a ", "instability", True, "strict", False),
        ("S83.004D", "instability", True, "strict", True),  # … subsequent encounter
        ("S83.004S", "instability", True, "strict", True),  # … sequela
        ("S83.001A", "instability", True, "", False),  # unspecified subluxation of right patella, initial
        ("M22.01", "instability", False, "", False),  # recurrent dislocation of patella, right knee
        (
            "M96.671",
            "fixation_site_fracture",
            True,
            "",
            False,
        ),  # fracture of right tibia or fibula after implant
        ("S82.001B", "fixation_site_fracture", False, "", False),  # fracture of right patella, initial, open
        ("S82.001G", "fixation_site_fracture", False, "", True),  # …, subsequent, delayed healing
        ("S42.021K", "non_union", True, "", False),  # shaft of right clavicle, subsequent with nonunion
        ("T84.82XD", "stiffness", True, "", True),  # fibrosis due to internal devices, subsequent
        ("M25.661", "stiffness", False, "", False),  # stiffness of right knee, not elsewhere classified
    ],
)
def test_built_in_meaning_of_codes(built_in, code, key, specific, level, subsequent):
    meaning = built_in.complication_of("ICD-10-CM", code)
    assert (meaning.key, meaning.rule.specific, meaning.rule.level) == (key, specific, level)
    assert meaning.subsequent is subsequent


@pytest.mark.parametrize(
    ("system", "code"), [("ICD-10-CM", "Z00.00"), ("local", "S83.004A"), ("ICD-10-CM", "")]
)
def test_other_codes_mean_nothing(built_in, system, code):
    assert built_in.complication_of(system, code) is None


@pytest.mark.parametrize(
    ("code", "joint"),
    [("S83.014D", "patellofemoral"), ("S43.101A", "acromioclavicular"), ("M25.661", "knee"), ("A00.0", None)],
)
def test_codes_imply_joints(built_in, code, joint):
    assert built_in.joint_of("ICD-10-CM", code) == joint


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("knee", "knee", True),
        ("patellofemoral", "knee", True),
        ("knee", "patellofemoral", True),
        ("glenohumeral", "acromioclavicular", False),
        ("femur", "knee", False),
        ("femur", "femur", True),
        ("tibia", "femur", False),
    ],
)
def test_a_part_matches_its_whole_and_bones_only_themselves(built_in, one, other, same):
    assert built_in.place_matches(one, other) is same


def test_places_are_joints_then_bones_each_once(built_in):
    places = built_in.places
    assert places[: len(built_in.joints)] == tuple(built_in.joints)
    assert len(set(places)) == len(places)
    assert {"patella", "coracoid"} <= set(places)


# ------------------------------------------------------------------ codes against patterns


@pytest.mark.parametrize(
    ("code", "meaning"),
    [
        ("AB1", "exact"),
        ("AB12", "longer"),
        ("AC", "shorter"),
        ("A", "shorter"),
        ("B", None),
        ("ab1", None),
        (" AB1 ", "exact"),
    ],
)
def test_exact_beats_longer_beats_shorter(code, meaning):
    index = CodeIndex("local", {"A*": "shorter", "AB*": "longer", "AB1": "exact"})
    assert index[code] == meaning


@pytest.mark.parametrize(
    ("system", "text", "code"),
    [
        ("ICD-10-CM", " m25.611 ", "M25611"),
        ("ICD-10-PCS", "0sqd0zz", "0SQD0ZZ"),
        ("local", " a.1 ", "a.1"),
    ],
)
def test_codes_as_compared(system, text, code):
    assert normalised_code(system, text) == code


# seventh characters: ICD-10-CM guidelines, I.C.19.a (A, B, C active treatment; others later)
@pytest.mark.parametrize(
    ("code", "first"),
    [
        ("S83004D", "S83004A"),
        ("S83004A", ""),
        ("S82001C", ""),
        ("M8436XS", "M8436XA"),
        ("M80011G", "M80011A"),
        ("T8482XS", "T8482XA"),
        ("M96671", ""),
        ("M25611", ""),
        ("I82401", ""),
    ],
)
def test_first_encounter_of_later_codes(code, first):
    assert initial_encounter("ICD-10-CM", code) == first
    assert initial_encounter("local", code) == ""


# ------------------------------------------------------------------ laid over the built-in one


def test_entries_merge_key_by_key_and_a_list_replaces_a_list(built_in):
    own = catalogue_from_text(
        "[complications.stiffness]\nfirst_day = 120\nlevels.persistent.from_day = 200\nphrases = ['stuck']\n"
    )
    entry, before = own.complications["stiffness"], built_in.complications["stiffness"]
    assert (entry.first_day, entry.phrases) == (120, ("stuck",))
    assert (entry.levels[0].from_day, entry.levels[0].apart_days) == (200, before.levels[0].apart_days)
    assert entry.codes == before.codes
    assert list(own.complications) == list(built_in.complications)
    assert "complications.stiffness.first_day: 90 → 120" in own.differs
    assert "complications.stiffness.levels.persistent.from_day: 180 → 200" in own.differs


def test_fresh_starts_from_nothing():
    own = catalogue_from_text(
        "[complications.stiffness]\nfresh = true\nname = 'Stiff'\ncodes.local = ['S']\n"
    )
    entry = own.complications["stiffness"]
    assert (entry.name, entry.seen_in, entry.measured, list(entry.codes)) == (
        "Stiff",
        "records",
        (),
        ["local"],
    )
    assert [level.key for level in entry.levels] == ["any"]


def test_builtin_false_leaves_only_the_workspace():
    own = catalogue_from_text(OWN)
    assert (list(own.procedures), list(own.complications), list(own.joints)) == (
        ["fixing", "fixing_again"],
        ["loosening"],
        ["hip"],
    )
    assert own.procedures["fixing"].watch == ("hip", "femur")
    assert own.complication_of("local", "L1").rule.specific
    assert len(own.differs) == 1


def test_a_category_with_only_name_and_codes_works():
    entry = catalogue_from_text("[complications.rash]\nname = 'Rash'\ncodes.local = ['R*']\n").complications[
        "rash"
    ]
    assert (entry.seen_in, entry.main_level, entry.windows, entry.in_any) == ("records", "any", (), True)
    assert [rule.specific for rule in entry.codes["local"]] == [True]


def test_codes_come_plain_by_strength_or_by_level():
    entry = catalogue_from_text(
        """[complications.slip]
        main_level = "seen"
        levels.seen = {}
        levels.proven = {}
        codes.a = ["A1"]
        codes.b = { specific = ["B1"], unspecific = ["B2"] }
        codes.c = { proven = ["C1"], seen = { unspecific = ["C2"] } }
        """
    ).complications["slip"]
    rules = {rule.pattern: (rule.specific, rule.level) for rules in entry.codes.values() for rule in rules}
    assert rules == {
        "A1": (True, ""),
        "B1": (True, ""),
        "B2": (False, ""),
        "C1": (True, "proven"),
        "C2": (False, ""),
    }


def test_default_watch_holds_whole_parts_and_bones_with_holes():
    own = catalogue_from_text(
        """builtin = false
        joints.limb.bones = ["long"]
        joints.joint = { part_of = "limb", bones = ["long"] }
        joints.corner = { part_of = "joint", bones = ["small"] }
        joints.far = {}
        procedures.pinning = { joint = "joint", holes_in = ["small"] }
        procedures.narrow = { joint = "joint", watch = ["joint"] }
        procedures.follows = {}
        """
    )
    assert own.procedures["pinning"].watch == ("joint", "limb", "corner", "small")
    assert own.procedures["narrow"].watch == ("joint",)
    assert own.procedures["follows"].watch == ()
    assert own.place_matches("corner", "limb")


def test_precedence_is_file_order_unless_stated():
    own = catalogue_from_text("[procedures.soft_tissue_tightening]\nprecedence = 99\n")
    order = sorted(own.procedures.values(), key=lambda entry: entry.precedence)
    assert order[0].key == "ligament_reconstruction"
    assert order[-1].key == "soft_tissue_tightening"


def test_the_workspace_takes_codes_from_built_in_entries():
    own = catalogue_from_text('\n[complications.creaking]\ncodes."ICD-10-CM" = ["M25.6*"]\n')
    assert own.complication_of("ICD-10-CM", "M25.661").key == "creaking"
    patterns = [rule.pattern for rule in own.complications["stiffness"].codes["ICD-10-CM"]]
    assert "M25.6*" not in patterns
    assert "M24.5*" in patterns
    found = findings.frame(own.notes)
    assert found["rule"].tolist() == ["code_in_two_entries"]
    assert found["source_line"].tolist() == [3]
    assert "`creaking`" in found["message"][0]
    assert any("without `M25.6*`" in line for line in own.differs)


def test_a_wider_pattern_of_the_workspace_also_takes_narrower_built_in_ones():
    own = catalogue_from_text('[complications.clots]\ncodes."ICD-10-CM" = ["I8*"]\n')
    assert own.complication_of("ICD-10-CM", "I82.401").key == "clots"


def test_a_narrower_pattern_of_the_workspace_leaves_the_rest():
    own = catalogue_from_text('[complications.creaking]\ncodes."ICD-10-CM" = ["M25.661"]\n')
    assert own.complication_of("ICD-10-CM", "M25.661").key == "creaking"
    assert own.complication_of("ICD-10-CM", "M25.662").key == "stiffness"
    assert own.notes == ()


def test_the_workspace_may_change_the_strength_of_a_code_within_an_entry():
    own = catalogue_from_text('[complications.stiffness]\ncodes."ICD-10-CM".specific = ["M25.6*"]\n')
    assert own.complication_of("ICD-10-CM", "M25.661").rule.specific
    assert own.notes == ()


def test_a_missing_file_changes_nothing(tmp_path, built_in):
    assert load_catalogue(tmp_path / "catalogue.toml") == built_in


# ------------------------------------------------------------------ what it rejects


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("\n[complication.x]\n", "line 2: unknown key `complication`. Did you mean `complications`?"),
        (
            "[complications.x]\nfirstday = 3\n",
            "line 2: unknown key `complications.x.firstday`. Did you mean `first_day`?",
        ),
        (
            "[procedures.x]\nhole_in = []\n",
            "line 2: unknown key `procedures.x.hole_in`. Did you mean `holes_in`?",
        ),
        ("[joints.x]\nbone = ['femur']\n", "unknown key `joints.x.bone`. Did you mean `bones`?"),
        (
            "[complications.x]\nlevels.any = { from = 3 }\n",
            "line 2: unknown key `complications.x.levels.any.from`",
        ),
        (
            "[complications.x]\nseen_in = 'letters'\n",
            'line 2: `complications.x.seen_in` is "letters"; expected one of',
        ),
        ("[complications.x]\nfirst_day = -1\n", "a whole number of at least 0"),
        ("[complications.x]\nin_any = 'no'\n", "expected true or false"),
        ("[complications.x]\nfresh = 'no'\n", "line 2: `fresh` is 'no'; expected true or false"),
        ("builtin = 0\n", "line 1: `builtin` is 0; expected true or false"),
        ("[complications.any_complication]\n", "line 1: `any_complication` is the program's own word"),
        ("[procedures.all]\n", "`all` is the program's own word"),
        ("[procedures.'a b']\n", "`a b` is not a key"),
        ("[complications.x]\notherwise = 'othr'\n", "Did you mean `other`?"),
        ("[complications.x]\nparent = 'stif'\n", 'line 2: `complications.x.parent` is "stif"'),
        ("[complications.x]\njoints = ['kneee']\n", "Did you mean `knee`?"),
        ("[complications.x]\njoints = ['femur']\n", '`complications.x.joints` is "femur"; expected one of'),
        (
            "[complications.x]\nimplied_by = 'unplanned'\n",
            'line 2: `complications.x.implied_by` is "unplanned"',
        ),
        ("[complications.x]\nafter_operations = ['capsular']\n", "Did you mean `capsular_release`?"),
        (
            "[complications.x]\nlevels.a = {}\nlevels.b = {}\n",
            "line 1: [complications.x] has no `main_level`",
        ),
        ("[complications.x]\nmain_level = 'a'\n", "expected one of any"),
        ("[complications.x]\nlevels.specific = {}\n", "a level cannot be called `specific`"),
        ("[complications.x]\nlevels.a = { instability_levels = [6] }\n", "whole numbers between 1 and 5"),
        (
            "[complications.x]\nlevels.a = { threshold = 'bad' }\n",
            '`complications.x.levels.a.threshold` is "bad"',
        ),
        (
            "[complications.x]\nmeasured = [{ joint = 'knee', measure = 'flexion' }]\n",
            "neither `below` nor `above`",
        ),
        (
            "[complications.x]\nmeasured = [{ joint = 'knee', measure = 'flexion', below = 9, bad_worse_than_other = 9 }]\n",
            "`worse_than_other` of the threshold `bad` has neither",
        ),
        (
            "[complications.x]\nmeasured = [\n { joint = 'knee', below = 3 },\n]\n",
            "line 3: [complications.x.measured] has no `measure`",
        ),
        ("[complications.x]\ndefault_grade = 'VI'\n", "expected one of I, II, III, IV, V"),
        ("[complications.x]\ncodes.local = ['A*B']\n", "with a * only at the end"),
        ("[complications.x]\ncodes.local = 'A'\n", "expected a list of texts"),
        (
            "[complications.x]\ncodes.local = { sure = ['A'] }\n",
            "unknown key `complications.x.codes.local.sure`",
        ),
        (
            "[complications.x]\npublished = [\n { events = 1, cases = 9, criterion = 'any' },\n]\n",
            "catalogue.toml, line 3: [complications.x.published] has no `source`. Add a line `source = …`",
        ),
        (
            "[complications.x]\npublished = [{ events = 1, cases = 9, source = 'a paper' }]\n",
            "has no `criterion`",
        ),
        (
            "[complications.x]\npublished = [{ events = 1, cases = 9, criterion = 'any', source = ' ' }]\n",
            '`complications.x.published.source` is " "; expected where it was printed',
        ),
        (
            "[complications.x]\n[[complications.x.published]]\ncases = 9\nevents = 10\ncriterion = 'any'\nsource = 'a paper'\n",
            "catalogue.toml, line 4: `complications.x.published.events` is 10; expected at most `cases`, which is 9. Correct one",
        ),
        (
            "[complications.x]\npublished = [{ events = 1, cases = 0, criterion = 'any', source = 'a paper' }]\n",
            "a whole number of at least 1",
        ),
        (
            "[complications.x]\npublished = [{ lowest = 0.1, criterion = 'any', source = 'a paper' }]\n",
            "has no `highest`",
        ),
        (
            "[complications.x]\npublished = [{ lowest = 0.2, highest = 0.1, criterion = 'any', source = 'a paper' }]\n",
            "at most `highest`, which is 0.1",
        ),
        (
            "[complications.x]\npublished = [{ lowest = 2.3, highest = 28.5, criterion = 'any', source = 'a paper' }]\n",
            "a number between 0 and 1",
        ),
        (
            "[complications.x]\npublished=[{ events = 1, cases = 9, lowest = 0, highest = 1, criterion = 'a', source = 'a' }]\n",
            "or a range, not both",
        ),
        (
            "[complications.x]\npublished = [\n { events = 1, cases = 9, criterion = 'any', source = 'a paper' },\n"
            " { events = 1, cases = 9, criterion = 'any', source = 'a paper' },\n]\n",
            'line 4: `complications.x.published.source` is "a paper"; expected another figure',
        ),
        ("[procedures.x]\nindex = true\n", "`index = true` but no `joint`"),
        ("[procedures.x]\njoint = 'femur'\n", '`procedures.x.joint` is "femur"'),
        ("[procedures.x]\nwatch = ['thigh']\n", '`procedures.x.watch` is "thigh"'),
        ("[procedures.x]\nholes_in = ['fibula']\n", '`procedures.x.holes_in` is "fibula"'),
        ("[procedures.x]\nimplies = ['pain']\n", '`procedures.x.implies` is "pain"'),
        ("[procedures.x]\nreasons = 'infecton'\n", "Did you mean `infection`?"),
        ("[joints.x]\npart_of = 'arm'\n", '`joints.x.part_of` is "arm"'),
        ("[joints.knee]\npart_of = 'patellofemoral'\n", "a joint that is not part of this one"),
        (
            "[complications.x]\ncodes.l = ['A']\n[complications.y]\ncodes.l = ['A']\n",
            "line 4: the code `A` of l stands in complications.x.codes.l (catalogue.toml, line 2) and in complications.y",
        ),
        (
            "[complications.x]\ncodes.'ICD-10-CM' = ['m25.6*', 'M256*']\n",
            "the code `M256*` of ICD-10-CM stands in",
        ),
        ("[procedures.x]\ncodes.l = ['A']\n[procedures.y]\ncodes.l = ['A']\n", "the code `A` of l stands in"),
        ("procedures = 3\n", "`procedures` is 3; expected a table"),
        ("[procedures]\nx = 3\n", "line 2: `procedures.x` is 3; expected a table"),
    ],
)
def test_what_does_not_fit_is_named_with_its_line(text, message):
    with pytest.raises(WrongUse, match=re.escape(message)):
        catalogue_from_text(text)


def test_errors_name_the_file_that_holds_the_key(tmp_path):
    file = tmp_path / "catalogue.toml"
    file.write_text("\n\n[complications.x]\nwindow = [30]\n")
    with pytest.raises(WrongUse, match=r"^catalogue.toml, line 4: unknown key `complications.x.window`"):
        load_catalogue(file)


# ------------------------------------------------------------------ in words


def test_the_printed_catalogue_is_up_to_date(built_in):
    printed = Path(__file__).parents[1] / "docs" / "catalogue.md"
    assert printed.read_text(encoding="utf-8") == markdown(built_in), (
        "write docs/catalogue.md anew: limbaudit catalogue > docs/catalogue.md"
    )


def test_the_words_say_what_the_workspace_changed():
    words = markdown(catalogue_from_text('[complications.creaking]\ncodes."ICD-10-CM" = ["M25.6*"]\n'))
    assert "## Changed by this workspace" in words
    assert "- complications.creaking: added" in words
    assert "no longer for the built-in `stiffness`" in words


def test_an_empty_catalogue_answers_nothing():
    empty = Catalogue({}, {}, {"hip": Joint("hip")})
    assert empty.procedure_of("local", "A") is None
    assert empty.places == ("hip",)
