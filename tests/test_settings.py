"""audit.toml: what it says, what an absent key means, and what is rejected on which line."""

import re
from datetime import date

import pytest

from pipeline.catalogue import load_catalogue
from pipeline.catalogue_reading import catalogue_from_text
from pipeline.errors import WrongUse
from pipeline.settings import Compare, Group, Primary, Settings, Site, default_settings_text, load_settings

COLUMNS = ("operation_id", "fixation", "sport", "sex")
FULL = """\
contract = 1
period = "quarter"
interval = "clopper-pearson"
confidence = 0.9
age_bands = [20, 40]
strata = ["site"]
windows = [{ days = 60, early = 5, grace = 10 }, { days = 365 }]
surgeon_tables = { categories = ["infection"], windows = [60] }
handout = { paper = "letter", categories = ["revision", "infection"] }
worthwhile_difference = 0.05
count_from = 2024-01-01
severity_scale = "clavien_dindo"
keep_months = 12
[sites.harbour]
name = "Harbour Hospital"
sends = "changes"
due_day = 2
required = ["operations"]
[sites.hill-2]
dates = "shifted"
data_until = 2026-09-30
[groups.young]
age_from = 14
age_below = 30
isolated = true
where = { sport = ["pivoting", "contact"], sex = "female" }
[primary]
a = "ligament_reconstruction"
b = "tubercle_transfer"
among = "young"
category = "instability"
level = "strict"
window = 365
[[compare]]
by = "fixation"
within = "clavicle_plate"
a = "plate_superior"
b = "plate_anterior"
[counting]
counted = []
[tolerance]
volume_drop = 0.5
[tolerance.rules]
recorded_late = 0.1
side_conflict = 0.0
[identity]
shared = ["patient"]
[access]
group = "audit"
[nonoperative_weeks_expected]
biceps_tenodesis = 12
[notices]
webhook = "https://example.org/hook"
mail_to = "audit@example.org"
[disclosure]
smallest_cell = 10
[schedule]
nightly = "0 1 * * *"
"""


@pytest.fixture(scope="module")
def catalogue():
    return load_catalogue()


@pytest.fixture
def read(tmp_path, catalogue):
    def settings(text, known=catalogue):
        file = tmp_path / "audit.toml"
        file.write_text(text, encoding="utf-8")
        return load_settings(file, known, COLUMNS)

    return settings


def test_the_text_of_a_new_workspace_says_what_absent_keys_mean(read):
    assert read(default_settings_text()) == read("contract = 1\n") == Settings()


def test_the_examples_of_a_new_workspace_are_valid_once_uncommented(read):
    uncommented = re.sub(r"(?m)^# (?=\[|\w+ = )", "", default_settings_text())
    settings = read(uncommented)
    assert list(settings.sites) == ["harbour"]
    assert list(settings.groups) == ["young_athletes"]
    assert settings.primary is not None
    assert len(settings.compare) == 1
    assert settings.nonoperative_weeks_expected == {"biceps_tenodesis": 12}


def test_every_key_is_read(read):
    settings = read(FULL)
    assert (settings.period, settings.interval, settings.confidence) == ("quarter", "clopper-pearson", 0.9)
    assert (settings.age_band_labels, settings.strata) == (("0-19", "20-39", "40+"), ("site",))
    assert [(w.days, w.early, w.grace) for w in settings.windows] == [(60, 5, 10), (365, 0, 0)]
    assert (settings.surgeon_tables.categories, settings.surgeon_tables.windows) == (("infection",), (60,))
    assert (settings.handout.paper, settings.handout.categories) == ("letter", ("revision", "infection"))
    assert (settings.worthwhile_difference, settings.count_from) == (0.05, date(2024, 1, 1))
    assert (settings.severity_scale, settings.keep_months) == ("clavien_dindo", 12)
    assert settings.sites_listed
    assert settings.sites["harbour"] == Site("harbour", "Harbour Hospital", "changes", 2, ("operations",))
    assert settings.sites["hill-2"] == Site("hill-2", "hill-2", dates="shifted", data_until=date(2026, 9, 30))
    where = {"sport": ("pivoting", "contact"), "sex": ("female",)}
    assert settings.groups == {"young": Group("young", 30, 14, True, where)}
    assert settings.primary == Primary(
        "ligament_reconstruction", "tubercle_transfer", "instability", 365, "strict", "young"
    )
    assert settings.compare == (Compare("plate_superior", "plate_anterior", "fixation", "clavicle_plate"),)
    assert (settings.counted, settings.tolerance.volume_drop, settings.tolerance.observed_share) == (
        (),
        0.5,
        0.8,
    )
    assert settings.tolerance_of_rule == {"recorded_late": 0.1, "side_conflict": 0.0}
    assert (settings.shared_identity, settings.access_group) == (("patient",), "audit")
    assert settings.nonoperative_weeks_expected == {"biceps_tenodesis": 12}
    assert (settings.notice_webhook, settings.notice_mail_to) == (
        "https://example.org/hook",
        "audit@example.org",
    )
    assert (settings.smallest_cell, settings.schedule.nightly) == (10, "0 1 * * *")
    assert settings.schedule.timezone == "Europe/Dublin"


def test_what_only_a_default_names_is_dropped_where_it_does_not_exist(read):
    bare = catalogue_from_text("builtin = false\n[complications.rash]\n")
    settings = read("contract = 1\nwindows = [{ days = 90, early = 9, grace = 9 }]\n", bare)
    assert settings.surgeon_tables.categories == settings.handout.categories == ("any_complication",)
    assert settings.surgeon_tables.windows == (90,)


PRIMARY = 'contract = 1\n[primary]\na = "ligament_reconstruction"\nb = "tubercle_transfer"\n'
COMPARE = "contract = 1\n[[compare]]\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("period = 'month'\n", "audit.toml: has no `contract`"),
        ("contract = 2\n", "line 1: `contract` is 2; expected 1"),
        ("contract = true\n", "`contract` is true; expected 1"),
        ("contract = 1\nperiod = month\n", "audit.toml, line 2, column 10: not valid TOML"),
        ("contract = 1\nperoid = 'month'\n", "line 2: unknown key `peroid`. Did you mean `period`?"),
        ("contract = 1\n[site.a]\n", "line 2: unknown key `site`. Did you mean `sites`?"),
        ("contract = 1\n[sites.a]\ndue = 2\n", "line 3: unknown key `sites.a.due`"),
        (
            "contract = 1\n[tolerance]\n\nvolumedrop = 1\n",
            "line 4: unknown key `tolerance.volumedrop`. Did you mean `volume_drop`?",
        ),
        (
            "contract = 1\nwindows = [\n { days = 3, erly = 1 },\n]\n",
            "line 3: unknown key `windows.erly`. Did you mean `early`?",
        ),
        (
            "contract = 1\n[disclosure]\nsmallest = 5\n",
            "line 3: unknown key `disclosure.smallest`. Did you mean `smallest_cell`?",
        ),
        (
            "contract = 1\nperiod = 'week'\n",
            'line 2: `period` is "week"; expected one of month, quarter, year',
        ),
        ("contract = 1\ninterval = 'wilsen'\n", "Did you mean `wilson`?"),
        (
            "contract = 1\nconfidence = 95\n",
            "line 2: `confidence` is 95; expected a number between 0.5 and 1",
        ),
        ("contract = 1\nconfidence = 1.0\n", "both excluded. Write for example 0.95"),
        (
            "contract = 1\nage_bands = [35, 25]\n",
            "line 2: `age_bands` is [35, 25]; expected numbers that rise",
        ),
        ("contract = 1\nage_bands = [25, 25]\n", "expected numbers that rise"),
        ("contract = 1\nage_bands = ['25']\n", "a list of whole numbers between 1 and 110"),
        (
            "contract = 1\nstrata = ['ward']\n",
            '`strata` is "ward"; expected one of age_band, fixation, site, surgeon',
        ),
        ("contract = 1\nstrata = ['site', 'site']\n", "each word once"),
        ("contract = 1\nwindows = []\n", "at least one window"),
        (
            "contract = 1\nwindows = [{ days = 90 }, { days = 30 }]\n",
            '`windows` is "days [90, 30]"; expected windows whose days rise',
        ),
        ("contract = 1\nwindows = [{ early = 3 }]\n", "line 2: [windows] has no `days`"),
        ("contract = 1\nwindows = [{ days = 9, early = 9 }]\n", "a whole number between 0 and 8"),
        ("contract = 1\nsurgeon_tables = { categories = ['revison'] }\n", "Did you mean `revision`?"),
        ("contract = 1\nhandout.paper = 'A5'\n", '`handout.paper` is "A5"; expected'),
        ("contract = 1\nhandout.categories = ['revision', 'revision']\n", "each word once"),
        (
            "contract = 1\nsurgeon_tables.windows = [91]\n",
            "line 2: `surgeon_tables.windows` is 91; expected windows of this file: 30, 90, 365, 730",
        ),
        ("contract = 1\ncount_from = '1.1.2024'\n", 'line 2: `count_from` is "1.1.2024"; expected a day'),
        ("contract = 1\nkeep_months = 0\n", "a whole number of at least 1"),
        (
            "contract = 1\nworthwhile_difference = '0.1'\n",
            'line 2: `worthwhile_difference` is "0.1"; expected a number',
        ),
        ("contract = 1\n[sites.'a b']\n", "line 2: `a b` is not a site id"),
        ("contract = 1\n[sites.a]\nsends = 'all'\n", "one of changes, everything"),
        (
            "contract = 1\n[sites.a]\ndue_day = 31\n",
            "line 3: `sites.a.due_day` is 31; expected a whole number between 1 and 28",
        ),
        ("contract = 1\n[sites.a]\nrequired = ['operation']\n", "Did you mean `operations`?"),
        (
            "contract = 1\n[sites.a]\ndates = 'shifted'\n",
            'line 3: `sites.a.dates` is "shifted"; expected `data_until` beside it',
        ),
        ("contract = 1\n[sites.a]\ndates = 'day_numbers'\n", "`data_until` beside it"),
        (
            "contract = 1\n[groups.g]\nwhere = { sprot = ['x'] }\n",
            "line 3: unknown key `groups.g.where.sprot`. Did you mean `sport`?",
        ),
        (
            "contract = 1\n[groups.g]\nage_below = 30\nage_from = 30\n",
            "line 4: `groups.g.age_from` is 30; expected an age under",
        ),
        ("contract = 1\n[groups.g]\nisolated = 1\n", "expected true or false"),
        (PRIMARY, "line 2: [primary] has no `category`"),
        (PRIMARY + "category = 'stifness'\nwindow = 365\n", 'line 5: `primary.category` is "stifness"'),
        (
            PRIMARY + "category = 'revision'\nwindow = 364\n",
            "line 6: `primary.window` is 364; expected windows of this file",
        ),
        (PRIMARY + "category = 'infection'\nwindow = 365\n", "a window in which `infection` is defined"),
        (PRIMARY + "category = 'stiffness'\nwindow = 90\n", "a window in which `stiffness` is defined"),
        (
            PRIMARY + "category = 'revision'\nwindow = 365\nlevel = 'redo'\n",
            "one of any_return, redone. Did you mean `redone`?",
        ),
        (PRIMARY + "category = 'any_complication'\nwindow = 365\nlevel = 'all'\n", "expected one of any"),
        (
            PRIMARY + "category = 'revision'\nwindow = 365\namong = 'young'\n",
            "nothing here, since there is none to name",
        ),
        (PRIMARY + "category = 'revision'\nwindow = 365\nage = 3\n", "line 7: unknown key `primary.age`"),
        (
            COMPARE + "a = 'washout'\nb = 'clavicle_plate'\n",
            'line 3: `compare.a` is "washout"; expected one of',
        ),
        (
            COMPARE + "a = 'clavicle_plate'\nb = 'clavicle_plate'\n",
            'line 4: `compare.b` is "clavicle_plate"; expected another one than `a`',
        ),
        (COMPARE + "a = 'x'\n", "line 2: [compare] has no `b`"),
        (COMPARE + "a = 'x'\nb = 'y'\nby = 'fixtion'\n", "Did you mean `fixation`?"),
        (
            COMPARE + "a = 'x'\nb = 'y'\nby = 'sex'\nwithin = 'clavicle'\n",
            'line 6: `compare.within` is "clavicle"',
        ),
        (COMPARE + "a = 'x'\nb = 'y'\nby = 'sex'\nwindow = 3\n", "line 6: unknown key `compare.window`"),
        ("contract = 1\n[compare]\na = 'x'\n", "expected a list of tables. Write [[compare]]"),
        ("contract = 1\n[counting]\ncounted = ['certain']\n", "one of definite, possible, probable"),
        (
            "contract = 1\n[tolerance]\nobserved_share = 80\n",
            "`tolerance.observed_share` is 80; expected a number between 0 and 1",
        ),
        (
            "contract = 1\n[tolerance.rules]\nside_conflicts = 0.1\n",
            "line 3: unknown key `tolerance.rules.side_conflicts`. Did you mean `side_conflict`?",
        ),
        (
            "contract = 1\n[tolerance.rules]\nside_conflict = 10\n",
            "`tolerance.rules.side_conflict` is 10; expected a number between 0 and 1",
        ),
        ("contract = 1\n[identity]\nshared = ['patients']\n", "Did you mean `patient`?"),
        (
            "contract = 1\n[nonoperative_weeks_expected]\nlabral = 6\n",
            "line 3: unknown key `nonoperative_weeks_expected.labral`",
        ),
        ("contract = 1\n[notices]\nwebhook = 'example.org'\n", "an address that starts with https://"),
        ("contract = 1\n[notices]\nmail_to = 'audit'\n", "a mail address"),
        (
            "contract = 1\n[schedule]\nnightly = '2 am'\n",
            'line 3: `schedule.nightly` is "2 am"; expected five fields',
        ),
        ("contract = 1\n[schedule]\ntimezone = 'Dublin time'\n", "a time zone such as Europe/Dublin"),
    ],
)
def test_what_does_not_fit_is_named_with_line_and_remedy(read, text, message):
    with pytest.raises(WrongUse, match=re.escape(message)):
        read(text)


def test_a_missing_workspace_or_file_points_to_the_command_that_makes_one(tmp_path, catalogue):
    with pytest.raises(
        WrongUse, match=r"is not a folder\. `limbaudit new .*nowhere` makes a workspace there"
    ):
        load_settings(tmp_path / "nowhere" / "audit.toml", catalogue, COLUMNS)
    with pytest.raises(WrongUse, match=r"has no audit\.toml, so it is no workspace. `limbaudit new"):
        load_settings(tmp_path / "audit.toml", catalogue, COLUMNS)
