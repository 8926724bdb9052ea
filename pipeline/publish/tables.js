"use strict";
// Sorting by the buttons in the heads, but where the order is meant, and a filter above long tables. Without this script every page is complete.
(() => {
  const LONG = 8;
  const collator = new Intl.Collator("en", { numeric: true, sensitivity: "base" });
  const bodyRows = (body) => [...body.rows].filter((row) => !row.querySelector("th[scope=rowgroup]"));
  const cellKey = (row, place) => {
    const text = row.cells[place].textContent.trim().replace(/\u2009/g, "").replace(/\u2212/g, "-");
    const number = text.match(/^[+-]?\d+(\.\d+)?(?![\d-])/);
    return { text, number: number ? Number(number[0]) : NaN };
  };
  const compare = (one, other) => {
    if (Number.isNaN(one.number) !== Number.isNaN(other.number)) return Number.isNaN(one.number) ? 1 : -1;
    return one.number - other.number || collator.compare(one.text, other.text);
  };
  const sort = (table, head, place) => {
    const order = head.getAttribute("aria-sort") === "ascending" ? "descending" : "ascending";
    for (const each of table.tHead.querySelectorAll("th")) each.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", order);
    const sign = order === "ascending" ? 1 : -1;
    for (const body of table.tBodies) {
      const keyed = bodyRows(body).map((row) => [cellKey(row, place), row]);
      keyed.sort((one, other) => sign * compare(one[0], other[0]));
      body.append(...keyed.map(([, row]) => row));
    }
  };
  const makeSortable = (table) => {
    [...table.tHead.querySelectorAll("th")].forEach((head, place) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => sort(table, head, place));
    });
  };
  const filter = (table, words, count) => {
    const wanted = words.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    let all = 0;
    for (const body of table.tBodies) {
      const title = body.querySelector("th[scope=rowgroup]");
      const named = title ? title.textContent.toLowerCase() : "";
      let inside = 0;
      for (const row of bodyRows(body)) {
        const text = `${named} ${row.textContent.toLowerCase()}`;
        row.hidden = !wanted.every((word) => text.includes(word));
        inside += row.hidden ? 0 : 1;
        all += 1;
      }
      body.hidden = inside === 0;
      shown += inside;
    }
    count.textContent = `${shown} of ${all} rows`;
  };
  const makeFilter = (table, number) => {
    const tools = document.createElement("p");
    const label = document.createElement("label");
    const field = document.createElement("input");
    const count = document.createElement("output");
    tools.className = "tools";
    field.type = "search";
    field.id = `filter-${number}`;
    label.htmlFor = count.htmlFor = field.id;
    label.textContent = "Show only rows with ";
    const caption = document.createElement("span");
    caption.className = "unseen";
    caption.textContent = `in the table ${table.caption.textContent}`;
    label.append(caption);
    tools.append(label, field, count);
    (table.closest(".scroll") || table).before(tools);
    field.addEventListener("input", () => filter(table, field.value, count));
    filter(table, "", count);
  };
  [...document.querySelectorAll("table")].forEach((table, number) => {
    if (!table.tHead || table.tHead.rows.length !== 1) return;
    const rows = [...table.tBodies].reduce((sum, body) => sum + bodyRows(body).length, 0);
    if (rows < LONG) return;
    if (table.dataset.order !== "kept") makeSortable(table);
    makeFilter(table, number);
  });
})();
