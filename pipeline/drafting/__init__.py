"""A draft of a new site's mapping, made from the files it sent, for a person to finish. It applies nothing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from pipeline.errors import WrongUse, did_you_mean

if TYPE_CHECKING:
    from pipeline.drafting.groups import Group
    from pipeline.drafting.placing import Knowledge, Placed
    from pipeline.drafting.sheets import Unread

__all__ = ["Draft", "drafted", "write_draft"]


@dataclass(frozen=True)
class Draft:
    """The text of a mapping, how many of its lines are questions, and how many files could not be read."""

    text: str
    questions: int
    unread: int


def drafted(workspace: Path, site: str) -> Draft:
    """A draft of `mappings/<site>.toml`.

    Raises:
        WrongUse: No such site has sent anything.
    """
    from pipeline.drafting.groups import grouped
    from pipeline.drafting.sheets import Sheet, sheets_of

    _refuse_unknown_site(workspace, site)
    found = sheets_of(workspace, site)
    if not found:
        raise WrongUse(
            f"received/{site} holds no file. `limbaudit receive {workspace} {site} FILE` puts one there."
        )
    groups = grouped(each for each in found if isinstance(each, Sheet))
    unread = [each for each in found if not isinstance(each, Sheet)]
    text = "\n".join(_lines(workspace, site, groups, unread)) + "\n"
    text = _checked(text, site)
    return Draft(text, sum(line.startswith("# ?") for line in text.splitlines()), len(unread))


def _refuse_unknown_site(workspace: Path, site: str) -> None:
    received = workspace / "received"
    if not received.is_dir():
        raise WrongUse(f"{workspace} has no folder received/. `limbaudit new {workspace}` makes a workspace.")
    sites = sorted(folder.name for folder in received.iterdir() if folder.is_dir())
    if site not in sites:
        known = f" Known: {', '.join(sites)}." if sites else ""
        raise WrongUse(f"received/{site} does not exist.{did_you_mean(site, sites)}{known}")


def write_draft(draft: Draft, out: Path) -> None:
    """Write the draft to a new file.

    Raises:
        WrongUse: The file exists: a mapping is never overwritten.
    """
    if out.exists() or out.is_symlink():
        raise WrongUse(f"{out} exists, and a mapping is never overwritten. Name another file with --out.")
    if not out.parent.is_dir():
        raise WrongUse(f"{out.parent} is not a folder. Make it, or name another file with --out.")
    with out.open("x", encoding="utf-8", newline="\n") as file:
        file.write(draft.text)


def _checked(text: str, site: str) -> str:
    """The draft; if it cannot be loaded as it is, it says so at its top."""
    from pipeline.intake import load_mapping

    with TemporaryDirectory() as folder:
        path = Path(folder) / f"{site}.toml"
        path.write_text(text, encoding="utf-8")
        try:
            load_mapping(path)
        except WrongUse as wrong:
            return f"# This draft cannot be used before this is mended: {wrong}\n{text}"
    return text


def _known(workspace: Path, groups: Sequence[Group]) -> Knowledge:
    """Words of the catalogue in force; ids and patients of what is clearest a list of operations."""
    from pipeline.catalogue import load_catalogue
    from pipeline.drafting.placing import Knowledge, placed_in

    catalogue = load_catalogue(workspace / "catalogue.toml")
    bones = {bone for joint in catalogue.joints.values() for bone in joint.bones}
    places = {
        "joint": frozenset(catalogue.joints),
        "bone": frozenset(bones),
        "fixation": frozenset(word for entry in catalogue.procedures.values() for word in entry.fixations),
        "reason": frozenset(catalogue.complications),
    }
    known = Knowledge(places)
    best = max(
        (placed_in(group, "operations", known) for group in groups), key=lambda each: each.score, default=None
    )
    if best is None or best.score < 1:
        return known
    return replace(known, operations=_ids(best, "operation_id"), patients=_ids(best, "patient_id"))


def _ids(placed: Placed, column: str) -> frozenset[str]:
    looks = placed.columns.get(column, ((), ""))[0]
    return frozenset(text for look in looks for text in look.texts)


def _lines(workspace: Path, site: str, groups: Sequence[Group], unread: Sequence[Unread]) -> Iterable[str]:
    from pipeline.drafting.blocks import group_lines
    from pipeline.drafting.placing import candidates
    from pipeline.drafting.site_keys import site_keys
    from pipeline.drafting.writing import without_identifiers

    known = _known(workspace, groups)
    choices = [(group, candidates(group, known)) for group in groups]
    keys = site_keys([(group, choice[0]) for group, choice in choices])
    yield f"# Draft of mappings/{site}.toml. Nothing of it is used before it lies there under that name."
    yield "# Lines that begin with `# ?` are questions: take the mark away and finish the line, or delete it."
    yield "contract = 1"
    yield from keys.site_lines
    for group, choice in choices:
        yield ""
        yield from group_lines(group, choice, known, keys)
    if unread:
        yield ""
    for each in dict.fromkeys(unread):
        named = f"{each.file}#{each.sheet}" if each.sheet else each.file
        why = each.why.removeprefix(f"{each.file}: ").removeprefix(f"{each.file} ")
        yield f"# Not used: {without_identifiers(named)}: {without_identifiers(why)}"
