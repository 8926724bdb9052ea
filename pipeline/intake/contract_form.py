"""A file's cells in the form of the contract: rows chosen, columns bound, words translated."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.intake.bindings import Bindings
from pipeline.intake.cut import Cut, cells_of
from pipeline.intake.mapping import SITE_COLUMN, TableMapping
from pipeline.intake.shifted_dates import shifted_dates
from schemas.columns import Kind
from schemas.exports import EXPORTS, ID_COLUMN

Text: TypeAlias = pa.Array | pa.ChunkedArray


@dataclass(frozen=True)
class Translation:
    """Cells of one column that the mapping changed: positions in the rows, text before and after."""

    column: str
    rows: np.ndarray
    before: Text
    after: Text


@dataclass(frozen=True)
class ContractForm:
    """Rows under the contract's columns.

    `rows` and `ragged` have the bound text columns, `site` and `source_line`; `unclear_site` marks rows whose
    `site` is unusable. `not_selected` counts what `where` left out and, under `unpivot`, empty cells.
    """

    rows: pa.Table
    ragged: pa.Table
    unclear_site: np.ndarray
    not_selected: int
    multiple: int = 1
    translations: tuple[Translation, ...] = field(default_factory=tuple)


def trimmed(cells: Text) -> Text:
    """Cells without blanks around them; nulls stay."""
    return pc.utf8_trim_whitespace(cells)


def contract_form(
    cut: Cut, bound: Bindings, form: TableMapping, site: str, sites: frozenset[str] | None
) -> ContractForm:
    """The contract's columns of a file's rows.

    Args:
        cut: Header and cells, already without rows that are no data.
        bound: Which column feeds what.
        form: The mapping of the table.
        site: The site by its folder.
        sites: The sites that `site_from` may name; `None` allows every well-formed one.
    """
    chosen = _chosen(cut.cells, bound, form)
    cells, lines = (cut.cells, cut.lines) if chosen is None else (cut.cells.filter(chosen), cut.lines[chosen])
    whole = _Rows(cells, lines, bound, form, site)
    broken = _Rows(
        cells_of([record.cells for record in cut.ragged], len(cut.headers)),
        np.array([record.line for record in cut.ragged], np.int64),
        bound,
        form,
        site,
    )
    multiple = len(form.unpivot.of) if form.unpivot else 1
    rows, translations = whole.under_contract(only_filled=True)
    dropped = cut.cells.num_rows * multiple - rows.num_rows
    unclear = _unclear_sites(rows["site"], sites) if form.site_from else np.zeros(rows.num_rows, bool)
    return ContractForm(rows, broken.under_contract()[0], unclear, dropped, multiple, translations)


def _chosen(cells: pa.Table, bound: Bindings, form: TableMapping) -> np.ndarray | None:
    """Rows that `where` asks for; `None` if it asks nothing."""
    chosen = None
    for header, words in form.where.items():
        texts = pc.fill_null(trimmed(cells.column(bound.others[header])), "")
        fits = pc.is_in(texts, pa.array([word.strip() for word in words], pa.string()))
        here = fits.to_numpy(zero_copy_only=False)
        chosen = here if chosen is None else chosen & here
    return chosen


def _unclear_sites(named: Text, sites: frozenset[str] | None) -> np.ndarray:
    if sites is not None:
        known = pc.is_in(named, pa.array(sorted(sites), pa.string()))
    else:
        known = pc.fill_null(pc.match_substring_regex(named, r"^[A-Za-z0-9_-]+$"), False)
    return ~known.to_numpy(zero_copy_only=False)


@dataclass(frozen=True)
class _Rows:
    """Rows of a file on their way under the contract."""

    cells: pa.Table
    lines: np.ndarray
    bound: Bindings
    form: TableMapping
    site: str

    def under_contract(self, only_filled: bool = False) -> tuple[pa.Table, tuple[Translation, ...]]:
        made = {name: self.cells.column(at) for name, at in self.bound.columns.items()}
        made |= {name: self._constant(word) for name, word in self.form.constants.items()}
        made |= {name: self._shifted(name) for name in self.form.dates}
        if self.form.id_from:
            made[ID_COLUMN[self.form.table]] = self._joined(self.form.id_from)
        made["site"] = self._sites()
        rows = self._long(made, only_filled) if self.form.unpivot else self._wide(made)
        return self._translated(rows)

    def _constant(self, word: str) -> Text:
        return pa.repeat(pa.scalar(word or None, pa.string()), len(self.lines))

    def _helper(self, header: str) -> Text:
        return trimmed(self.cells.column(self.bound.others[header]))

    def _shifted(self, name: str) -> Text:
        shifted = self.form.dates[name]
        order = self.form.reading.date_order
        return shifted_dates(self._helper(shifted.start), self._helper(shifted.plus_days), order)

    def _joined(self, headers: tuple[str, ...]) -> Text:
        parts = [_null_where_empty(self._helper(header)) for header in headers]
        return pc.binary_join_element_wise(*parts, "-", null_handling="emit_null")

    def _sites(self) -> Text:
        if not self.form.site_from:
            return self._constant(self.site)
        return pc.fill_null(self._helper(self.form.site_from), "")

    def _wide(self, made: dict[str, Text]) -> pa.Table:
        ordered = [name for name in EXPORTS[self.form.table].names if name in made]
        columns = {name: made[name] for name in [*ordered, "site"]}
        return pa.table({**columns, "source_line": pa.array(self.lines, pa.int64())})

    def _long(self, made: dict[str, Text], only_filled: bool) -> pa.Table:
        """A row for each listed column of each row, in the order of the file and of the list."""
        unpivot = self.form.unpivot
        assert unpivot is not None
        rows, words = len(self.lines), tuple(unpivot.of.values())
        every = np.repeat(np.arange(rows), len(words))
        in_turn = np.tile(np.arange(len(words)), rows)
        stacked = pa.concat_arrays([_whole(self.cells.column(self.bound.others[h])) for h in unpivot.of])
        cells = stacked.take(pa.array(in_turn * rows + every))
        keep = np.flatnonzero(_is_filled(cells)) if only_filled else np.arange(len(every))
        taken = pa.array(every[keep])
        long = {name: column.take(taken) for name, column in made.items()}
        measures = pa.array(words, pa.string()).take(pa.array(in_turn[keep]))
        long |= {unpivot.column: measures, unpivot.value: cells.take(pa.array(keep))}
        self._append_to_id(long, measures)
        return _Rows(self.cells, self.lines[every[keep]], self.bound, self.form, self.site)._wide(long)

    def _append_to_id(self, long: dict[str, Text], measures: Text) -> None:
        """The id of the file's row, followed by the word, unless `id_from` already names the word's column."""
        unpivot, id_column = self.form.unpivot, ID_COLUMN[self.form.table]
        if unpivot and id_column in long and unpivot.column not in self.form.id_from:
            named = _null_where_empty(trimmed(_whole(long[id_column])))
            long[id_column] = pc.binary_join_element_wise(named, measures, "-", null_handling="emit_null")

    def _translated(self, rows: pa.Table) -> tuple[pa.Table, tuple[Translation, ...]]:
        kinds = {column.name: column.kind for column in EXPORTS[self.form.table].columns}
        changes = []
        for column, words in self.form.values.items():
            name = "site" if column == SITE_COLUMN else column
            if name not in rows.column_names or not words:
                continue
            after, changed = _translation_of(rows[name], words, kinds.get(name, "text"))
            before, indices = rows[name], pa.array(changed)
            changes.append(Translation(column, changed, before.take(indices), after.take(indices)))
            rows = rows.set_column(rows.column_names.index(name), name, after)
        return rows, tuple(change for change in changes if len(change.rows))


def _whole(column: Text) -> pa.Array:
    return column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column


def _is_filled(cells: pa.Array) -> np.ndarray:
    filled = pc.fill_null(pc.not_equal(trimmed(cells), ""), False)
    return filled.to_numpy(zero_copy_only=False)


def _null_where_empty(cells: Text) -> Text:
    return pc.if_else(pc.equal(cells, ""), pa.scalar(None, pa.string()), cells)


def _translation_of(cells: Text, words: dict[str, str], kind: Kind) -> tuple[pa.Array, np.ndarray]:
    """The column with its words translated, and the positions of cells that changed.

    Each different text is looked at once. The elements of a `;`-list are translated one by one.
    """
    encoded = _whole(pc.dictionary_encode(_whole(cells)))
    texts = encoded.dictionary.to_pylist()
    translated = [_translated_text(text, words, kind) for text in texts]
    differs = np.array([old != new for old, new in zip(texts, translated, strict=True)], bool)
    after = pa.array([text or None for text in translated], pa.string()).take(encoded.indices)
    codes = pc.fill_null(encoded.indices, -1).to_numpy(zero_copy_only=False)
    known = codes >= 0
    changed = np.flatnonzero(known)[differs[codes[known]]] if len(texts) else np.empty(0, np.int64)
    return after, changed


def _translated_text(text: str, words: dict[str, str], kind: Kind) -> str:
    bare = text.strip()
    if bare in words:
        return words[bare]
    if kind == "words" and ";" in bare:
        return ";".join(words.get(part.strip(), part.strip()) for part in bare.split(";"))
    return text
