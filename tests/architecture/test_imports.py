"""Which module may import which: the way the data goes, and each heavy library in its one place."""

from __future__ import annotations

from typing import Any

import pytest

STAGES = ("intake", "validate", "resolve", "link", "classify", "count", "estimate", "publish")
#: The only modules that know the stages.
CONDUCTORS = {
    "pipeline.run",
    "pipeline.audit",
    "pipeline.asking",
    "pipeline.expecting",
    "pipeline.file_work",
    "pipeline.part_work",
    "pipeline.listing",
    "pipeline.engine",
    "pipeline.ground",
    "pipeline.flows",
    "pipeline.nightly",
    "pipeline.quiet_nights",
    "pipeline.signing",
    "pipeline.edition_facts",
    "pipeline.edition_tables",
    "pipeline.looking_back",
    "pipeline.cli",
    "pipeline.__main__",
    "pipeline.trace",
}
PLACES = {
    "prefect": ("pipeline.flows",),
    "dask": ("pipeline.engine",),
    "distributed": ("pipeline.engine",),
    "pandera": ("schemas", "pipeline.validate"),
    "great_tables": ("pipeline.publish",),
}


def stage_of(name: str) -> str:
    """The stage a dotted name belongs to, or nothing."""
    parts = name.split(".")
    return parts[1] if parts[0] == "pipeline" and len(parts) > 1 and parts[1] in STAGES else ""


def commands(name: str) -> bool:
    return name in CONDUCTORS or name.startswith(
        ("pipeline.cli.", "pipeline.commands", "pipeline.drafting", "pipeline.trace.")
    )


def test_all_stages_are_there(pipeline_modules: list[Any]) -> None:
    assert {stage_of(module.name) for module in pipeline_modules} - {""} == set(STAGES)


def test_a_stage_imports_no_other_stage(pipeline_modules: list[Any]) -> None:
    crossings = {
        (module.name, name)
        for module in pipeline_modules
        for name in module.imports
        if stage_of(module.name) and stage_of(name) and stage_of(name) != stage_of(module.name)
    }
    assert crossings == set()


def test_what_stages_share_knows_no_stage(pipeline_modules: list[Any]) -> None:
    shared = [
        module for module in pipeline_modules if not stage_of(module.name) and not commands(module.name)
    ]
    assert len(shared) > 3
    assert {(module.name, name) for module in shared for name in module.imports if stage_of(name)} == set()


def test_schemas_know_nothing_of_the_pipeline(schemas_modules: list[Any]) -> None:
    assert len(schemas_modules) > 3
    assert [module.name for module in schemas_modules if module.imports_any("pipeline")] == []


@pytest.mark.parametrize("library", PLACES)
def test_a_heavy_library_has_its_place(
    library: str, pipeline_modules: list[Any], schemas_modules: list[Any]
) -> None:
    users = [module.name for module in [*pipeline_modules, *schemas_modules] if module.imports_any(library)]
    strays = [
        name for name in users if not any(name == at or name.startswith(at + ".") for at in PLACES[library])
    ]
    assert strays == []


def test_the_story_of_the_samples_knows_neither_pipeline_nor_catalogue(schemas_modules: list[Any]) -> None:
    story = [module for module in schemas_modules if module.name.startswith("schemas.sample.")]
    assert story
    assert [module.name for module in story if module.imports_any("pipeline")] == []
