"""Lists of cases, complications and records: integers become ids, words, days and places in files again."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import (
    COUNTED,
    RECORD_TABLES,
    SIDE_LETTERS,
    STATUSES,
    STRENGTHS,
    UNATTRIBUTED,
    Accepted,
    Labels,
)
from pipeline.publish.chains import last_operation_rows
from pipeline.publish.coded import among, begins, coded, days_or_none, joined_runs, places_among, whole
from pipeline.publish.tables import in_order
from schemas.exports import ID_COLUMN, SEVERITY_GRADES
from schemas.published import PUBLISHED

TABLES = (*RECORD_TABLES, "patients")
#: Files have fewer lines.
MOST_LINES = 2**34


@dataclass(frozen=True)
class Lists:
    """What the lists are made of, over all cases: frames as Linked and Classified have them."""

    accepted: Accepted
    labels: Labels
    cases: pd.DataFrame
    complications: pd.DataFrame
    evidence: pd.DataFrame
    records: pd.DataFrame
    unattributed: pd.DataFrame
    unread: pd.DataFrame
    decided: pd.DataFrame
    heard: pd.DataFrame
    chain: pd.DataFrame
    returns: pd.DataFrame
    concomitant: pd.DataFrame

    @cached_property
    def case_ids(self) -> np.ndarray:
        """`<site>.<operation_id>.<L|R|N>` of every case."""
        return self.ids_of(np.arange(len(self.cases)))

    @cached_property
    def case_names(self) -> pa.Array:
        """The same in Arrow."""
        cases = self.cases
        sites = pa.array(self.labels.sites, pa.string()).take(pa.array(cases["site"].to_numpy()))
        rows = pa.array(cases["row"].to_numpy())
        operations = self.accepted.tables["operations"]["operation_id"].take(rows).cast(pa.string())
        letters = pa.array(list(SIDE_LETTERS), pa.string()).take(pa.array(cases["side"].to_numpy()))
        joined = pc.binary_join_element_wise(sites, operations, letters, ".")
        return joined.combine_chunks() if isinstance(joined, pa.ChunkedArray) else joined

    def ids_of(self, cases: np.ndarray | pd.Series) -> np.ndarray:
        """Of some of them, by their number."""
        told: np.ndarray = self.case_names.take(pa.array(np.asarray(cases))).to_numpy(zero_copy_only=False)
        return told

    def cases_called(self, case_ids: pd.Series) -> np.ndarray:
        """int64: the cases with these ids, which are few; -1 where no case has it."""
        asked = pa.array(case_ids, pa.string())
        named = pc.is_in(self.case_names, asked).to_numpy(zero_copy_only=False)
        at = np.append(np.flatnonzero(named), -1)
        found = pc.index_in(asked, self.case_names.filter(pa.array(named)))
        return at[pc.fill_null(found, -1).to_numpy()]

    @cached_property
    def words_of_ids(self) -> tuple[pa.Array, np.ndarray]:
        """The ids of all cases in order, and which of them each case has."""
        ids = self.case_names
        order = pc.array_sort_indices(ids)
        place = np.empty(len(ids), np.int32)
        place[order.to_numpy()] = np.arange(len(ids), dtype=np.int32)
        return ids.take(order), place

    def ids(self, cases: np.ndarray | pd.Series) -> pa.DictionaryArray:
        """Ids of cases, null for -1."""
        words, place = self.words_of_ids
        return coded(words, np.append(place, np.int32(-1))[np.asarray(cases)])

    def keys(self, frame: pd.DataFrame) -> np.ndarray:
        """`case, category, level` of each row as one number, in their order."""
        levels = max(map(len, self.labels.levels))
        category = self.pairs(frame["case"], frame["category"])
        return category * levels + frame["level"].to_numpy(np.int64)

    def pairs(self, case: pd.Series, category: pd.Series | np.ndarray | int) -> np.ndarray:
        """The same of a case and a category."""
        number = case.to_numpy(np.int64) * len(self.labels.categories)
        found: np.ndarray = number + np.asarray(category, dtype=np.int64)
        return found

    @cached_property
    def _rests(self) -> tuple[np.ndarray, pa.Array]:
        """Keys that have evidence, and the records each rests on, in time order; of any complication, its members'."""
        found, rows = self.evidence, self.complications
        any_category = len(self.labels.categories) - 1
        counted = rows[(rows["status"] == COUNTED) & (rows["level"] == 0) & (rows["category"] < any_category)]
        key = self.keys(found)
        member = among(key, self.keys(counted))
        of_any = self.keys(found[member].assign(category=any_category, level=0))
        place, day = self.place_numbers(found), found["day"].to_numpy(np.int64)
        key, day, place = (
            np.concatenate(each) for each in ((key, of_any), (day, day[member]), (place, place[member]))
        )
        order = np.lexsort((day, key))
        key, place = self._by_text(key[order], day[order], place[order])
        first = begins(key)
        return key[first], joined_runs(self.reference_texts(place), first, "; ")

    def _by_text(self, key: np.ndarray, day: np.ndarray, place: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Keys and places, those of one key and day by their text, none twice in a key."""
        first = begins(key)
        several = np.flatnonzero(~first | ~np.append(first[1:], True))
        distinct, at = np.unique(place[several], return_inverse=True)
        rank = np.empty(len(distinct), np.int64)
        rank[pc.array_sort_indices(self.reference_texts(distinct)).to_numpy()] = np.arange(len(distinct))
        own, text = key[several], rank[at]
        order = np.lexsort((text, day[several], own))
        text, place[several] = text[order], place[several][order]
        alike = np.lexsort((text, own))
        again = ~begins(own[alike]) & ~begins(text[alike])
        kept = np.ones(len(key), bool)
        kept[several[alike[again]]] = False
        return key[kept], place[kept]

    def rests_on(self, keys: np.ndarray) -> pa.Array:
        """The records that rows with these keys rest on, each `file:line`, joined; null for none."""
        known, texts = self._rests
        at = places_among(keys, known)
        return texts.take(pa.array(at, mask=at < 0))

    def texts(self, table: str, column: str, rows: np.ndarray) -> np.ndarray:
        own = self.accepted.tables[table][column].take(pa.array(rows))
        told: np.ndarray = own.to_numpy().astype(object, copy=False)
        return told

    @cached_property
    def files(self) -> pa.Array:
        """The file of each source."""
        return pa.array([source.source_file for source in self.accepted.sources], pa.string())

    def places(self, table: str, rows: np.ndarray) -> pd.DataFrame:
        """`source_file` and `source_line` of accepted rows."""
        own = self.accepted.tables[table].select(["source_number", "source_line"]).take(pa.array(rows))
        files = self.files.to_numpy(zero_copy_only=False).astype(object)
        return pd.DataFrame(
            {
                "source_file": files[own["source_number"].to_numpy()],
                "source_line": own["source_line"].to_numpy(),
            }
        )

    def record_numbers(self, frame: pd.DataFrame) -> np.ndarray:
        """Table and accepted row of each row as one number, below `records_below`."""
        found: np.ndarray = self.table_numbers(frame) * self._most_rows + frame["row"].to_numpy(np.int64)
        return found

    @staticmethod
    def table_numbers(frame: pd.DataFrame) -> np.ndarray:
        """Position in TABLES of each row's `table`."""
        codes, names = pd.factorize(frame["table"])
        tables: np.ndarray = np.array([TABLES.index(name) for name in names], np.int64)[codes]
        return tables

    @cached_property
    def _most_rows(self) -> int:
        return max(map(len, self.accepted.tables.values())) + 1

    @property
    def records_below(self) -> int:
        return self._most_rows * len(TABLES)

    def place_numbers(self, frame: pd.DataFrame) -> np.ndarray:
        """File and line of each row's record as one number, for a frame with `table` and `row`."""
        names = self.files.to_pylist()
        first = np.array([names.index(name) for name in names], np.int64)
        told = np.zeros(len(frame), np.int64)
        for table in frame["table"].unique():
            own = (frame["table"] == table).to_numpy()
            at = pa.array(frame["row"].to_numpy()[own])
            number, line = (
                self.accepted.tables[table][name].take(at).to_numpy()
                for name in ("source_number", "source_line")
            )
            told[own] = first[number] * MOST_LINES + line
        return told

    def reference_texts(self, places: np.ndarray) -> pa.Array:
        """`file:line` of such numbers."""
        files = self.files.take(pa.array(places // MOST_LINES))
        return pc.binary_join_element_wise(files, pa.array(places % MOST_LINES).cast(pa.string()), ":")

    def places_of(self, frame: pd.DataFrame) -> dict[str, pa.Array]:
        """`source_file` and `source_line` of each row's record, for a frame with `table` and `row`."""
        number = self.place_numbers(frame)
        return {
            "source_file": coded(self.files, number // MOST_LINES),
            "source_line": pa.array(number % MOST_LINES),
        }

    def record_ids(self, frame: pd.DataFrame) -> pa.Array:
        """Id of each row's record, for a frame with `table` and `row`; patients have none here."""
        return self._told(frame, {name: ID_COLUMN[name] for name in RECORD_TABLES})

    def sites_of(self, frame: pd.DataFrame) -> pa.Array:
        """Site of each row's record."""
        return self._told(frame, dict.fromkeys(TABLES, "site"))

    def _told(self, frame: pd.DataFrame, columns: dict[str, str]) -> pa.Array:
        """A column of each row's record; null where its table has none."""
        parts: list[pa.Array] = []
        order = [np.zeros(0, np.int64)]
        for table in frame["table"].unique():
            own = np.flatnonzero((frame["table"] == table).to_numpy())
            order.append(own)
            rows, none = pa.array(frame["row"].to_numpy()[own]), pa.nulls(len(own), pa.string())
            told = self.accepted.tables[table][columns[table]].take(rows) if table in columns else none
            parts += told.cast(pa.string()).chunks if isinstance(told, pa.ChunkedArray) else [none]
        back = np.argsort(np.concatenate(order))
        return pa.chunked_array(parts, pa.string()).combine_chunks().take(pa.array(back))

    def references(self, frame: pd.DataFrame) -> np.ndarray:
        """`file:line` of each row's record, for a frame with `table` and `row`."""
        told: np.ndarray = self.reference_texts(self.place_numbers(frame)).to_numpy(zero_copy_only=False)
        return told

    def named(
        self, labels: tuple[str, ...], positions: np.ndarray | pd.Series, missing: str | None = "unknown"
    ) -> np.ndarray:
        return np.array([*labels, missing], dtype=object)[np.asarray(positions)]


def complications_list(lists: Lists) -> pa.Table:
    """The published `complications`, as it is written: counted before awaiting where any complication has both."""
    keys = lists.keys(lists.complications)
    rows = lists.complications[~pd.Series(keys).duplicated().to_numpy()]
    labels, day = lists.labels, rows["day"].to_numpy()
    last = last_operation_rows(rows, lists.cases, lists.chain)
    ids = lists.accepted.tables["operations"]["operation_id"].take(pa.array(last))
    columns = {
        "case_id": lists.ids(rows["case"]),
        "category": coded(labels.categories, rows["category"]),
        "level": _level_names(labels, rows),
        "day": whole(day, day < 0),
        "strength": coded(STRENGTHS, rows["strength"]),
        "status": coded(STATUSES, rows["status"]),
        "evidence": lists.rests_on(lists.keys(rows)),
        "severity_grade": coded(SEVERITY_GRADES, rows["grade"]),
        "parent": coded(labels.categories, rows["parent"]),
        "last_operation": ids.cast(pa.string()),
        "known_on": days_or_none(rows["learned"]),
        "known_late": pa.array(rows["late"].to_numpy().astype(bool)),
    }
    return in_order(pa.table(columns), PUBLISHED["complications"])


def _level_names(labels: Labels, rows: pd.DataFrame) -> pa.DictionaryArray:
    words = list(dict.fromkeys(level for levels in labels.levels for level in levels))
    number = np.full((len(labels.levels), max(map(len, labels.levels))), -1, np.int32)
    for category, levels in enumerate(labels.levels):
        number[category, : len(levels)] = [words.index(level) for level in levels]
    return coded(words, number[rows["category"].to_numpy(), rows["level"].to_numpy()])


def unattributed_list(lists: Lists) -> pd.DataFrame:
    """The published `unattributed`."""
    parts = []
    for table, own in lists.unattributed.groupby("table"):
        rows = own["row"].to_numpy()
        listed = pd.DataFrame(
            {
                "site": lists.texts(str(table), "site", rows),
                "table": table,
                "record_id": lists.texts(str(table), ID_COLUMN[str(table)], rows),
                "why": lists.named(UNATTRIBUTED, own["why"]),
            }
        )
        parts.append(pd.concat([listed, lists.places(str(table), rows)], axis=1))
    columns = ["site", "table", "record_id", "why", "source_file", "source_line"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
