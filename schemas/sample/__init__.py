"""The demo workspace: invented hospitals, patients and courses, and what a right count has to find in them."""

from __future__ import annotations

from pathlib import Path


def write_sample(folder: Path, cases: int, seed: int, faults: bool) -> None:
    """Writes a workspace that can be run: exports, settings, reviews, and the truth for tests.

    Args:
        folder: Made if it does not exist; files of the same names are overwritten, others left alone.
        cases: Number of index cases, at least one.
        seed: Seed of the story. Equal arguments give equal bytes.
        faults: Whether to plant the faults that `README.md` in the folder lists.

    Raises:
        ValueError: Fewer than one case.
    """
    from schemas.sample.faults import CANARIES, NO_FAULTS, with_faults
    from schemas.sample.hospitals import exports, write_exports
    from schemas.sample.readme import write_readme
    from schemas.sample.story import told_story
    from schemas.sample.workspace import write_reviews, write_settings, write_truth

    story = told_story(cases, seed)
    made = exports(story.tables)
    made, planted = with_faults(made) if faults else (made, NO_FAULTS)
    folder.mkdir(parents=True, exist_ok=True)
    write_exports(made, planted, folder)
    write_settings(folder)
    write_reviews(folder, story)
    write_truth(folder, story, planted.listed, CANARIES if faults else ())
    write_readme(folder, cases, seed, planted.listed)
