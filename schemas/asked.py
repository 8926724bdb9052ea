"""Published tables behind the lists for reviewers, and what reading cases drawn at random found."""

from __future__ import annotations

from schemas.columns import Column, Table
from schemas.exports import OURS
from schemas.shorthand import (
    AUDIT,
    CATALOGUE,
    WILSON,
    always,
    case,
    count,
    limits,
    maybe,
    number,
    remark,
    share,
)


def _surgeons() -> Column:
    return maybe(
        "surgeons",
        "text",
        "Who was responsible for an operation of the case, joined by `;`: they are not asked.",
        OURS,
    )


def _evidence() -> Column:
    return maybe("evidence", "text", "Rows it rests on, each `file:line`, joined by `; `.")


QUESTIONS = Table(
    "questions",
    "One question that a reviewer may be asked: what waits, and what wants a second opinion.",
    (
        case(),
        maybe("category", "word", "Category in question; empty for a note nobody could sort.", CATALOGUE),
        always(
            "form",
            "word",
            "How it is answered: a decision on the category, by reading a letter, or by a link to a case.",
            OURS,
            ("decision", "letter", "link"),
        ),
        always("why", "text", "Why people have to say."),
        maybe("would_move", "text", "Figures that the answer may change."),
        _evidence(),
        maybe("since", "date", "Day on which the first of these rows arrived."),
        always("stated", "yes_no", "Whether the answer may move the stated comparison.", OURS),
        number(
            "weight",
            "How much it may move the figure it moves: change of the log odds by one case.",
            OURS,
            "log odds",
            0,
        ),
        _surgeons(),
        maybe("site", "id", "Site of a record that waits for a link."),
        maybe("table", "word", "Table of a record that waits for a link."),
        maybe("record_id", "id", "Id of a record that waits for a link."),
    ),
    key=("case_id", "category", "why", "evidence", "table", "record_id"),
)

SAMPLING_FRAME = Table(
    "sampling_frame",
    "One case with notes in which nothing was found: from these a sample is drawn, in the order of `draw`.",
    (
        case(),
        Column(
            "draw",
            "integer",
            "Place in an order that chance has made and that stays the same.",
            True,
            (),
            1,
            None,
            "",
            AUDIT,
            "count",
            nullable=False,
        ),
        _surgeons(),
        _evidence(),
    ),
    key=("case_id",),
)

MISSED_IN_LETTERS = Table(
    "missed_in_letters",
    "How often a reviewer found a complication in notes in which the program found none: cases drawn at random.",
    (
        always("site", "id", "Site, or `all`."),
        count("cases", "Cases with a note, and with nothing counted or waiting but for this reading."),
        count("read", "Cases among them that were drawn and read."),
        count("missed", "Cases read with a complication that now counts."),
        count("undecided", "Cases read on which reviewers differ; they are not among the missed."),
        share("share", "Missed among read."),
        *limits("ci_low", "ci_high", "`share`", WILSON),
        remark(),
    ),
    key=("site",),
)
