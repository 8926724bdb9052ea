"""Signed editions: who may sign what, what never changes, and what `verify` finds.

The workspace is that of the twelve courses (tests/journeys), audited for 2026-10 as of 2026-11-05, before its
conference of 2026-11-09.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline import editions, store
from pipeline.errors import CannotFinish, WrongUse
from pipeline.periods import parse_period
from pipeline.signed import last_signed, next_number
from pipeline.signing import signed

COURSES = Path(__file__).parent / "journeys" / "twelve_courses"
Limbaudit = Callable[..., Any]


@pytest.fixture(scope="module")
def once_signed(limbaudit: Limbaudit, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace of which October 2026 is signed as number 1; copied, never changed."""
    place = tmp_path_factory.mktemp("signed") / "audit"
    shutil.copytree(COURSES, place)
    assert limbaudit("run", place, "--as-of", "2026-11-05").exit_code == 0
    done = limbaudit("sign", place, "2026-10", "--role", "quality officer")
    assert done.exit_code == 0, done.said
    return place


@pytest.fixture
def workspace(once_signed: Path, tmp_path: Path) -> Path:
    shutil.copytree(once_signed, tmp_path / "audit")
    return tmp_path / "audit"


@pytest.fixture
def unsigned(tmp_path: Path, once_signed: Path) -> Path:
    """The same workspace with its draft alone."""
    place = tmp_path / "audit"
    shutil.copytree(once_signed, place)
    shutil.rmtree(place / "editions" / "2026-10" / "1")
    (draft,) = (place / "editions" / "2026-10").glob("draft-*")
    store.write_json({"edition": draft.name}, place / "editions" / "2026-10" / editions.POINTER)
    return place


def october(workspace: Path) -> Path:
    return workspace / "editions" / "2026-10"


def draft_of(workspace: Path) -> Path:
    (draft,) = october(workspace).glob("draft-*")
    return draft


def hashes(folder: Path) -> dict[str, str]:
    return store.hashes_under(folder)


def says_state(name: str) -> bool:
    return name == "manifest.json" or name.endswith((".html", ".svg", ".pdf", ".xlsx"))


# ---------------------------------------------------------------- signing


def test_a_signed_edition_has_the_draft_s_figures_and_says_that_it_is_signed(once_signed: Path) -> None:
    number, draft = october(once_signed) / "1", draft_of(once_signed)
    signed_files, drafted = hashes(number / "department"), hashes(draft / "department")
    assert signed_files.keys() == drafted.keys()
    assert {name for name in drafted if signed_files[name] != drafted[name]} == set(
        filter(says_state, drafted)
    )
    pages = [path.read_text("utf-8") for path in (number / "department" / "report").glob("*.html")]
    assert len(pages) > 3
    for page in pages:
        assert '<p class="signed">Signed</p>' in page
        assert "number 1, signed by the quality officer" in page
        assert "Draft" not in page
    charts = [path.read_text("utf-8") for path in (number / "department" / "charts").glob("*.svg")]
    assert len(charts) > 3
    for chart in charts:
        assert "edition 1, signed, counted to 31 October 2026" in chart
        assert "draft" not in chart
    assert '<p class="draft">Draft</p>' in (draft / "department/report/index.html").read_text("utf-8")


def test_the_signature_says_who_when_and_what(once_signed: Path) -> None:
    number, draft = october(once_signed) / "1", draft_of(once_signed)
    told = json.loads((number / "signature.json").read_text("utf-8"))
    assert told.pop("signed_at") > "2026"
    assert told == {
        "period": "2026-10",
        "number": 1,
        "role": "quality officer",
        "despite": "",
        "draft": draft.name,
        "draft_manifest_sha256": store.sha256_of(draft / "department/manifest.json"),
        "manifest_sha256": store.sha256_of(number / "department/manifest.json"),
    }
    department = b"".join(path.read_bytes() for path in (number / "department").rglob("*.json"))
    assert b"signed_at" not in department


def test_the_pointer_names_the_signed_edition_and_the_list_puts_it_first(once_signed: Path) -> None:
    assert editions.current_edition(once_signed / "editions", "2026-10") == october(once_signed) / "1"
    page = (once_signed / "editions" / "index.html").read_text("utf-8")
    assert page.index("2026-10/1/department") < page.index(f"2026-10/{draft_of(once_signed).name}/department")
    assert "signed by the quality officer, current" in page


def test_signing_twice_gives_the_same_bytes(once_signed: Path, unsigned: Path, limbaudit: Limbaudit) -> None:
    assert limbaudit("sign", unsigned, "2026-10", "--role", "quality officer").exit_code == 0
    assert hashes(october(unsigned) / "1" / "department") == hashes(october(once_signed) / "1" / "department")


def test_nothing_new_is_not_signed_again_and_a_run_leaves_it(workspace: Path, limbaudit: Limbaudit) -> None:
    before = hashes(workspace / "editions")
    again = limbaudit("run", workspace, "--as-of", "2026-11-05")
    assert again.exit_code == 0
    assert "Nothing has changed since 2026-10/1 was signed; it stands." in again.said
    refused = limbaudit("sign", workspace, "2026-10", "--role", "quality officer")
    assert refused.exit_code == 2
    assert "is signed already" in refused.said
    after = hashes(workspace / "editions")
    assert {name: digest for name, digest in after.items() if name != "index.html"} == {
        name: digest for name, digest in before.items() if name != "index.html"
    }


def test_later_decisions_make_a_draft_of_the_next_number_and_leave_the_signed_one(
    workspace: Path, limbaudit: Limbaudit
) -> None:
    before = hashes(october(workspace) / "1")
    ran = limbaudit("run", workspace, "--as-of", "2026-11-09")
    assert ran.exit_code == 0, ran.said
    current = editions.current_edition(workspace / "editions", "2026-10")
    assert current is not None
    assert current.name.startswith("draft-")
    page = (current / "department/report/index.html").read_text("utf-8")
    assert "number 1 is signed; this draft of number 2 may still change" in page
    assert limbaudit("sign", workspace, "2026-10", "--role", "quality officer").exit_code == 0
    assert hashes(october(workspace) / "1") == before
    manifest = json.loads((october(workspace) / "2/department/manifest.json").read_text("utf-8"))
    assert (manifest["state"], manifest["number"]) == ("signed", 2)
    assert manifest["compared_with"] == {
        "2026-10/1": store.sha256_of(october(workspace) / "1/department/manifest.json")
    }
    assert limbaudit("verify", workspace).exit_code == 0


def test_a_draft_with_the_same_figures_is_no_second_number(workspace: Path, limbaudit: Limbaudit) -> None:
    """Another day of knowledge without any news on it."""
    assert limbaudit("run", workspace, "--as-of", "2026-11-06").exit_code == 0
    refused = limbaudit("sign", workspace, "2026-10", "--role", "quality officer")
    assert refused.exit_code == 2
    assert "Nothing has changed since 2026-10/1 was signed" in refused.said
    assert not (october(workspace) / "2").exists()


def test_a_run_that_knows_less_does_not_take_the_pointer(workspace: Path, limbaudit: Limbaudit) -> None:
    ran = limbaudit("run", workspace, "--as-of", "2026-11-03")
    assert ran.exit_code == 0
    assert "2026-10/1 stays the current edition" in ran.said
    assert editions.current_edition(workspace / "editions", "2026-10") == october(workspace) / "1"
    assert len(list(october(workspace).glob("draft-*"))) == 2


# ---------------------------------------------------------------- refusals


def refused(limbaudit: Limbaudit, workspace: Path, *options: str) -> str:
    """What is said where signing is refused: exit code 2, and nothing is written."""
    before = hashes(workspace / "editions") if (workspace / "editions").exists() else {}
    done = limbaudit("sign", workspace, "2026-10", *(options or ("--role", "quality officer")))
    assert done.exit_code == 2, done.said
    after = hashes(workspace / "editions") if (workspace / "editions").exists() else {}
    assert {name for name in after if not name.startswith(".lock")} == {
        name for name in before if not name.startswith(".lock")
    }
    return str(done.said)


def test_without_a_draft_nothing_is_signed(tmp_path: Path, limbaudit: Limbaudit) -> None:
    shutil.copytree(COURSES, tmp_path / "audit")
    assert "`limbaudit run WORKSPACE --period 2026-10` makes a draft" in refused(
        limbaudit, tmp_path / "audit"
    )
    assert not (tmp_path / "audit" / "editions").exists()


def test_a_draft_that_does_not_verify_is_not_signed(unsigned: Path, limbaudit: Limbaudit) -> None:
    with (draft_of(unsigned) / "department/tables/rates.csv").open("a") as rates:
        rates.write("one more row\n")
    said = refused(limbaudit, unsigned)
    assert "tables/rates.csv has other bytes" in said
    assert "`limbaudit run WORKSPACE --period 2026-10` mends it" in said


def test_a_draft_that_cannot_be_made_again_is_not_signed(unsigned: Path, limbaudit: Limbaudit) -> None:
    """A visit of course 11 is put into a receipt that the draft has used already."""
    with (unsigned / "received/harbour/2026-11-02/followups.csv").open("a") as visits:
        visits.write("F11c,P11,2026-03-20,seen,left,knee\n")
    said = refused(limbaudit, unsigned)
    assert "cannot be made again from what lies in the workspace now" in said
    assert "makes a new draft" in said


def test_settings_changed_since_the_draft_do_not_matter(unsigned: Path, limbaudit: Limbaudit) -> None:
    with (unsigned / "audit.toml").open("a") as settings:
        settings.write("\n[tolerance]\nobserved_share = 0.5\n")
    assert limbaudit("sign", unsigned, "2026-10", "--role", "head of department").exit_code == 0
    used = (october(unsigned) / "1/department/as_used/audit.toml").read_text("utf-8")
    assert "observed_share" not in used


@pytest.mark.parametrize("role", ["", "   ", "two\nlines", "x" * 61])
def test_a_role_is_one_short_line(unsigned: Path, limbaudit: Limbaudit, role: str) -> None:
    assert "--role" in refused(limbaudit, unsigned, "--role", role)


def test_out_of_tolerance_asks_for_a_reason_and_prints_it(tmp_path: Path, limbaudit: Limbaudit) -> None:
    """A file nobody knows lies in the receipt: exit code 1."""
    workspace = tmp_path / "audit"
    shutil.copytree(COURSES, workspace)
    (workspace / "received/harbour/2026-11-02/rota.csv").write_text("ward,nurse\nA,1\n")
    assert limbaudit("run", workspace, "--as-of", "2026-11-05").exit_code == 1
    said = refused(limbaudit, workspace)
    assert "out of tolerance" in said
    assert "rota.csv" in said
    assert "--despite" in said
    reason = "the <rota> is no export"
    done = limbaudit("sign", workspace, "2026-10", "--role", "quality officer", "--despite", reason)
    assert done.exit_code == 0
    assert "rota.csv" in done.err
    page = (october(workspace) / "1/department/report/index.html").read_text("utf-8")
    assert "It was signed all the same, because: the &lt;rota&gt; is no export" in page
    assert json.loads((october(workspace) / "1/signature.json").read_text("utf-8"))["despite"] == reason
    assert "out of tolerance" in (workspace / "editions/index.html").read_text("utf-8")


def test_a_reason_without_need_is_refused(unsigned: Path, limbaudit: Limbaudit) -> None:
    assert "within tolerance" in refused(limbaudit, unsigned, "--role", "x", "--despite", "always")


def test_a_number_is_never_given_twice(tmp_path: Path) -> None:
    (tmp_path / "2026-10" / "1").mkdir(parents=True)
    (tmp_path / "2026-10" / "1" / "theirs.txt").write_text("signed by somebody else")
    with (
        pytest.raises(CannotFinish, match="was signed in the meantime"),
        editions.Edition(tmp_path, "2026-10", "", number=1) as building,
    ):
        store.write_json({"files": {}}, building / "department" / "manifest.json")
    assert [path.name for path in (tmp_path / "2026-10" / "1").iterdir()] == ["theirs.txt"]


# ---------------------------------------------------------------- which one is looked back to


def put(folder: Path, period: str, number: int, as_of: str) -> None:
    manifest = folder / period / str(number) / "department" / "manifest.json"
    store.write_json({"as_of": as_of}, manifest)


def test_the_newest_signed_one_of_the_same_kind_that_knows_no_more(tmp_path: Path) -> None:
    for period, number, as_of in [
        ("2026-08", 1, "2026-09-05"),
        ("2026-09", 1, "2026-10-05"),
        ("2026-09", 2, "2026-10-20"),
        ("2026-Q3", 1, "2026-10-08"),
        ("2026-11", 1, "2026-12-05"),
    ]:
        put(tmp_path, period, number, as_of)
    (tmp_path / "2026-10" / "draft-abc").mkdir(parents=True)
    (tmp_path / "notes").mkdir()

    def named(period: str, as_of: str) -> str:
        found = last_signed(tmp_path, parse_period(period), date.fromisoformat(as_of))
        return found.name if found else ""

    assert named("2026-10", "2026-11-05") == "2026-09/2"
    assert named("2026-10", "2026-10-12") == "2026-09/1"
    assert named("2026-09", "2026-11-05") == "2026-09/2"
    assert named("2026-08", "2026-12-31") == "2026-08/1"
    assert named("2026-Q4", "2027-01-05") == "2026-Q3/1"
    assert named("2026-07", "2026-12-31") == ""
    assert named("2026", "2027-01-05") == ""
    assert next_number(tmp_path, parse_period("2026-09")) == 3
    assert next_number(tmp_path, parse_period("2026-10")) == 1


# ---------------------------------------------------------------- verify


def verified(limbaudit: Limbaudit, place: Path) -> str:
    done = limbaudit("verify", place)
    assert done.exit_code == 3, done.said
    return str(done.said)


def test_whole_editions_verify(once_signed: Path, limbaudit: Limbaudit) -> None:
    for place in (once_signed, once_signed / "editions", october(once_signed) / "1"):
        done = limbaudit("verify", place)
        assert done.exit_code == 0, done.said
        assert "2026-10/1: as it was written" in done.said


def test_a_changed_byte_a_missing_and_an_extra_file_are_named(workspace: Path, limbaudit: Limbaudit) -> None:
    department = october(workspace) / "1" / "department"
    rates = department / "tables" / "rates.csv"
    content = bytearray(rates.read_bytes())
    content[-2] ^= 1
    rates.write_bytes(bytes(content))
    (department / "ledger.csv").unlink()
    (department / "tables" / "mine.csv").write_text("a\n")
    said = verified(limbaudit, workspace)
    assert "2026-10/1: ledger.csv is missing" in said
    assert "2026-10/1: tables/mine.csv is not in the manifest" in said
    assert "2026-10/1: tables/rates.csv has other bytes" in said
    assert f"2026-10/{draft_of(workspace).name}: as it was written" in said


def test_a_manifest_made_anew_does_not_fit_the_signature(workspace: Path, limbaudit: Limbaudit) -> None:
    department = october(workspace) / "1" / "department"
    manifest = json.loads((department / "manifest.json").read_text("utf-8"))
    (department / "ledger.csv").write_text("other\n")
    manifest["files"]["ledger.csv"] = store.sha256_of(department / "ledger.csv")
    store.write_json(manifest, department / "manifest.json")
    assert "manifest.json is not the one that was signed" in verified(limbaudit, october(workspace) / "1")


def test_a_lost_signature_and_a_lost_current_edition_are_named(workspace: Path, limbaudit: Limbaudit) -> None:
    (october(workspace) / "1" / "signature.json").unlink()
    assert "signature.json is missing" in verified(limbaudit, workspace)
    shutil.rmtree(october(workspace) / "1")
    assert "current.json: it names no edition" in verified(limbaudit, workspace)


def test_a_place_without_editions_is_wrong_use(tmp_path: Path, limbaudit: Limbaudit) -> None:
    done = limbaudit("verify", tmp_path)
    assert done.exit_code == 2
    assert "There is no edition" in done.said


def test_a_period_that_is_none(workspace: Path) -> None:
    with pytest.raises(WrongUse, match="is not a period"):
        signed(workspace, "October", "quality officer", "", workspace / "editions")
