"""Figures of others: as the catalogue gives them, with Wilson's interval."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.catalogue import Catalogue, Complication, PublishedFigure, load_catalogue
from pipeline.estimate import published_figures_table
from pipeline.settings import Settings
from schemas.fit import failures, typed
from schemas.published import PUBLISHED


def table_of(*figures, settings=None):
    catalogue = Catalogue({}, {"crack": Complication("crack", "Crack", published=figures)}, {})
    found = published_figures_table(catalogue, settings or Settings())
    described = PUBLISHED["published_figures"]
    assert not len(failures(described, typed(described, found)))
    return found.to_dict("records")


def test_wilson_of_what_they_counted():
    """Newcombe 1998, Stat Med 17:857, table I, method 3: 81 of 263 is 0.2553 to 0.3662."""
    (row,) = table_of(PublishedFigure("cracks", "a paper", events=81, cases=263, window=365))
    assert (row["events"], row["cases"], row["window_days"]) == (81, 263, 365)
    assert (row["rate"], row["ci_low"], row["ci_high"]) == pytest.approx((81 / 263, 0.2553, 0.3662), abs=5e-5)


def test_their_interval_is_wilsons_whatever_ours_is():
    figure = PublishedFigure("cracks", "a paper", events=0, cases=29)
    by_wilson, by_ours = (
        table_of(figure, settings=replace(Settings(), interval=name))
        for name in ("wilson", "clopper-pearson")
    )
    assert by_wilson[0]["ci_high"] == by_ours[0]["ci_high"] == pytest.approx(0.1170, abs=5e-5)
    assert by_wilson[0]["ci_low"] == 0


def test_a_range_has_neither_rate_nor_interval():
    (row,) = table_of(PublishedFigure("cracks", "a review", lowest=0.023, highest=0.285))
    assert (row["lowest"], row["highest"]) == (0.023, 0.285)
    assert np.isnan([row["rate"], row["ci_low"], row["ci_high"]]).all()


def test_no_figures_no_rows():
    assert table_of() == []


def test_the_built_in_ones_are_those_of_the_definitions():
    """The project's definitions name three: 12 of 15,085, 254 of 2,524, and 2.3 to 28.5 %."""
    found = published_figures_table(load_catalogue(), Settings()).astype(object)
    found = found.where(found.notna(), None)
    names = ["category", "events", "cases", "lowest", "highest"]
    assert [tuple(row) for row in found[names].to_numpy().tolist()] == [
        ("stiffness", None, None, 0.023, 0.285),
        ("fixation_site_fracture", 12, 15085, None, None),
        ("revision", 254, 2524, None, None),
    ]
    assert found["window_days"].isna().all()
    assert [text[-11:] for text in found["source"]] == ["PMC8873420)", "PMC6440066)", "d 27083535)"]
