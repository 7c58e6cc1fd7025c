// The tables of the case, one grid for each, and circuit.toml as text.
import { ask, button, byId, el, faultText, tell } from "../dom.js";
import { cellName, cellPlace, decimalsOf, withPoints, withoutThousands } from "./cells.js";
import { edit } from "../edits.js";
import { manualLink, ofTable } from "../manual.js";
import { Grid } from "./grid.js";
import { commit, on, setDraft, store, withCell } from "../store.js";

const NAMES = { measurements: "Measurements", sizes: "Sizes", lab: "Laboratory", stocks: "Stocks",
  metallics: "Screened metallics", prices: "Prices", expected: "Expected" };
const SHEETS = { circuit: "Circuit sheet", nodes: "Nodes", analytes: "Analytes", errors: "Stated errors",
  sources: "Sources of error", doubts: "Doubts", containers: "Containers",
  losses: "Losses", "lab columns": "Headers of the laboratory's export", report: "Report" };

const HOW = "Type to write, F2 to change; paste blocks from a spreadsheet, headers and all.";

let shown = null; // name of the part shown
let grid = null;
const place = {};

const stem = (part) => part.replace(/\.(csv|toml)$/, "");
const titleOf = (part) => (part === "circuit.toml" ? "Circuit as text"
  : NAMES[stem(part)] ?? SHEETS[part] ?? part);
const isText = (part) => typeof store.now.parts[part] === "string";

export function makeNumbers() {
  grid = new Grid({
    edit: (cells, said) => write(cells, said),
    typing: (row, column, text) => setDraft(text === null ? null : { part: shown, row, column, text }),
    moved: (row, column) => sayWhere(row, column),
    named: (row, column) => named(row, column),
    hover: showTip,
    paste,
  });
  place.tabs = el("div", { role: "tablist", "aria-label": "Tables of the case", class: "tabs",
    onkeydown: tabKey });
  place.add = el("select", { "aria-label": "Add a table", onchange: addTable });
  place.manual = el("span");
  place.where = el("p", { class: "where", id: "where" });
  const tool = (how, label, said, title = said) => button(label, () => (how === "streams" ? addStreams() : reshape(how)),
    { "aria-label": said, title });
  place.tools = el("div", { class: "tools", role: "toolbar", "aria-label": "Rows and columns" },
    el("span", { class: "hint", "aria-hidden": "true" }, "Insert"),
    tool("row", "Row", "Insert row"),
    tool("streams", "Missing streams", "Insert a row for each stream that has none"),
    tool("repeat", "Replicate", "Insert a replicate of this row", "A second reading of the same stream: its name again, below"),
    tool("column", "Column", "Insert column"),
    tool("error", "±", "Insert a column for the stated error of this one"),
    el("span", { class: "hint", "aria-hidden": "true" }, "Delete"),
    tool("no rows", "Rows", "Delete rows"),
    tool("no columns", "Columns", "Delete columns"));
  place.text = el("textarea", { class: "text", spellcheck: "false", wrap: "off",
    "aria-label": "circuit.toml", oninput: textTyped, onchange: textDone });
  place.lines = el("ul", { class: "faults" });
  place.grid = el("div", { role: "tabpanel", id: "table-panel" }, place.where, grid.element, place.tools);
  place.textPanel = el("div", { role: "tabpanel", id: "text-panel" }, place.text, place.lines);
  place.tip = el("div", { role: "tooltip", id: "tip", class: "tip", hidden: true });
  byId("numbers-body").append(el("div", { class: "tabs-row" }, place.tabs, place.add, place.manual),
    place.grid, place.textPanel);
  document.body.append(place.tip);
  grid.table.setAttribute("aria-describedby", "where");
  grid.element.addEventListener("scroll", () => { place.tip.hidden = true; });
  grid.element.addEventListener("focusout", () => { place.tip.hidden = true; });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") place.tip.hidden = true; });
  on("opened", () => { shown = null; draw(null); });
  on("changed", draw);
  on("answer", mark);
  on("chosen", chosen);
}

/** Draw the tabs and the table shown; `where` says where the last change was. */
function draw(where) {
  const parts = Object.keys(store.now.parts);
  const moved = where && where.part !== shown && where.part in store.now.parts;
  const was = shown;
  if (moved) shown = where.part;
  if (!(shown in store.now.parts)) {
    shown = parts.find((part) => stem(part) === "measurements") ?? parts[0];
  }
  drawTabs(parts);
  if (was !== shown) {
    byId("numbers").dataset.manual = ofTable(shown);
    place.manual.replaceChildren(manualLink(ofTable(shown), titleOf(shown).toLowerCase()));
  }
  grid.readonly = Boolean(store.doc.readonly);
  place.text.readOnly = grid.readonly;
  for (const tool of place.tools.querySelectorAll("button")) tool.disabled = grid.readonly;
  place.grid.hidden = isText(shown);
  place.textPanel.hidden = !isText(shown);
  if (isText(shown)) {
    if (place.text.value !== store.now.parts[shown]) place.text.value = store.now.parts[shown];
  } else grid.show(titleOf(shown), store.now.parts[shown], was !== shown);
  mark();
  if (where && where.row !== undefined && !isText(shown)) {
    const held = document.activeElement === document.body || grid.element.contains(document.activeElement);
    grid.go(where.row, where.column, false, held && !grid.editing);
  } else if (!isText(shown)) sayWhere(grid.active.row, grid.active.column);
}

let tabsDrawn = "";
function drawTabs(parts) {
  const wrongIn = (part) => (store.answer?.faults ?? []).filter((fault) => fault.part === part && fault.missing?.what !== "number").length;
  const now = JSON.stringify([store.doc.case, store.doc.readonly, shown, parts.map((part) => [part, isText(part), wrongIn(part)])]);
  if (now === tabsDrawn) return; // a click between two answers finds the tab that it began on
  tabsDrawn = now;
  const grids = parts.filter((part) => !isText(part));
  const texts = parts.filter(isText);
  const kept = document.activeElement?.dataset?.part;
  place.tabs.replaceChildren(...[...grids, ...texts].map((part) => {
    const wrong = wrongIn(part);
    const tab = button(titleOf(part), () => showPart(part), { role: "tab", "data-part": part,
      "aria-selected": String(part === shown), tabindex: part === shown ? "0" : "-1",
      "aria-controls": isText(part) ? "text-panel" : "table-panel" });
    if (wrong) tab.append(el("span", { class: "count" }, ` ${wrong} to mend`));
    return tab;
  }));
  if (kept) place.tabs.querySelector(`[data-part="${CSS.escape(kept)}"]`)?.focus();
  const all = store.doc.kind === "folder" ? Object.keys(NAMES).map((name) => `${name}.csv`) : Object.keys({ ...NAMES, ...SHEETS });
  const there = new Set(parts.map((part) => part.toLowerCase()));
  const missing = all.filter((name) => !there.has(name));
  place.add.replaceChildren(el("option", { value: "" }, "Add a table …"),
    ...missing.map((name) => el("option", { value: name }, titleOf(name))));
  place.add.hidden = !missing.length || Boolean(store.doc.readonly);
}

function tabKey(event) {
  const tabs = [...place.tabs.children];
  const at = tabs.indexOf(document.activeElement);
  const to = { ArrowRight: at + 1, ArrowLeft: at - 1, Home: 0, End: tabs.length - 1 }[event.key];
  if (to === undefined || at < 0) return;
  event.preventDefault();
  tabs[(to + tabs.length) % tabs.length].focus();
  showPart(document.activeElement.dataset.part);
}

export function showPart(part) {
  if (!(part in store.now.parts)) return;
  grid.finish(true, null);
  shown = part;
  draw({ part });
}

async function addTable() {
  const name = place.add.value;
  place.add.value = "";
  if (name && await edit([{ op: "add table", name }], `${titleOf(name)} added`)) showPart(name);
}

// What is said of a cell

function named(row, column) {
  const rows = store.now.parts[shown];
  const heading = grid.headingRow();
  const head = heading >= 0 && row > heading ? rows[heading][column] : "";
  const names = heading >= 0 ? Math.max(0, rows[heading].findIndex((text) => text !== "")) : 0;
  const name = column === names || row <= heading ? "" : rows[row]?.[names] ?? "";
  return [cellName(row, column), name, head].filter(Boolean).join(" · ");
}

function marks() {
  const found = { ...(store.answer?.cells?.[shown] ?? {}) };
  for (const fault of store.answer?.faults ?? []) {
    if (fault.part === shown && fault.cell) found[fault.cell] = { level: "fault", text: faultText(fault) };
  }
  return found;
}

function sayWhere(row, column) {
  const said = marks()[cellName(row, column)];
  place.where.replaceChildren(el("strong", {}, named(row, column)),
    said ? ` ${said.level === "fault" ? "to mend: " : ""}${said.text}` : el("span", { class: "hint" }, grid.readonly ? "" : HOW));
  place.where.dataset.level = said?.level ?? "";
  const held = grid.element.contains(document.activeElement);
  const cut = place.where.scrollHeight > place.where.clientHeight + 2;
  showTip(held && cut ? { row, column } : null);
}

function showTip(at) {
  const said = at && marks()[cellName(at.row, at.column)];
  const cell = said && grid.cell(at.row, at.column);
  place.tip.hidden = !cell;
  if (!cell) return;
  place.tip.textContent = said.text;
  place.tip.dataset.level = said.level;
  const box = cell.getBoundingClientRect();
  const wide = Math.min(340, window.innerWidth - 16);
  place.tip.style.maxWidth = `${wide}px`;
  place.tip.style.left = `${Math.max(8, Math.min(box.left, window.innerWidth - wide - 8))}px`;
  const below = box.bottom + 4 + place.tip.offsetHeight < window.innerHeight;
  place.tip.style.top = `${below ? box.bottom + 4 : box.top - place.tip.offsetHeight - 4}px`;
}

function mark() {
  if (!store.now || !shown) return;
  drawTabs(Object.keys(store.now.parts));
  if (!isText(shown)) {
    grid.mark(marks());
    sayWhere(grid.active.row, grid.active.column);
    return;
  }
  place.lines.replaceChildren(...(store.answer?.faults ?? []).filter((fault) => fault.part === shown)
    .map((fault) => el("li", {}, button(fault.line ? `Line ${fault.line}` : "Where", () => toLine(fault.line ?? 1)),
      " ", faultText(fault))));
}

function toLine(line) {
  const before = place.text.value.split("\n").slice(0, line - 1).join("\n").length + (line > 1 ? 1 : 0);
  const end = place.text.value.indexOf("\n", before);
  place.text.focus();
  place.text.setSelectionRange(before, end < 0 ? place.text.value.length : end);
  const tall = Number.parseFloat(getComputedStyle(place.text).lineHeight) || 20;
  place.text.scrollTop = Math.max(0, (line - 4) * tall);
}

/** Go where a fault is: its cell or its line. */
export function jumpTo(part, cell, line) {
  if (!(part in store.now.parts)) return false;
  showPart(part);
  const found = cellPlace(cell);
  if (isText(part)) toLine(line ?? 1);
  else grid.go(found?.row ?? (line ? line - 1 : 0), found?.column ?? 0);
  byId("numbers").scrollIntoView({ block: "nearest" });
  return true;
}

/** What stands in a cell of a table. */
export function textAt(part, cell) {
  const at = cellPlace(cell);
  return (at && store.now.parts[part]?.[at.row]?.[at.column]) ?? "";
}

/** The row of the stream picked out elsewhere becomes the active one here. */
function chosen() {
  const name = store.chosen?.stream;
  if (!name || isText(shown) || grid.element.contains(document.activeElement)) return;
  const row = store.now.parts[shown].findIndex((cells) => cells.includes(name));
  if (row >= 0) grid.go(row, store.now.parts[shown][row].indexOf(name), false, false);
}

// Writing

function write(cells, said) {
  let rows = store.now.parts[shown];
  for (const { row, column, text } of cells) rows = withCell(rows, row, column, text);
  setRows(rows, said, { row: cells[0].row, column: cells[0].column });
}

function setRows(rows, said, at) {
  const kept = rows.slice();
  while (kept.length && kept.length > 1 && kept.at(-1).every((text) => text === "")) kept.pop();
  commit({ parts: { ...store.now.parts, [shown]: kept } }, said, { part: shown, ...at });
}

/** A row for each stream of the circuit that has none. */
function addStreams() {
  const rows = store.now.parts[shown];
  const column = (rows[grid.headingRow()] ?? []).findIndex((text) => /^streams?$/i.test(text.trim()));
  if (column < 0) { tell("This table has no column 'stream'."); return; }
  const there = new Set(rows.map((cells) => (cells[column] ?? "").trim().toLowerCase()));
  const missing = store.now.circuit.streams.filter((stream) => !there.has(stream.name.trim().toLowerCase()));
  if (!missing.length) { tell("Every stream has a row."); return; }
  const next = missing.reduce((all, stream) => withCell(all, all.length, column, stream.name), rows);
  setRows(next, "rows for all streams", { row: rows.length, column });
  grid.focus();
}

function reshape(how) {
  const rows = store.now.parts[shown];
  const { top, bottom, left, right } = grid.range();
  const width = Math.max(...rows.map((cells) => cells.length), 1);
  const insert = (at, title) => rows.map((cells, row) => (cells.length < at ? cells
    : [...cells.slice(0, at), row === grid.headingRow() ? title : "", ...cells.slice(at)]));
  const padded = rows.concat(Array.from({ length: Math.max(0, bottom + 1 - rows.length) }, () => []));
  if (how === "row") {
    setRows([...padded.slice(0, bottom + 1), Array(width).fill(""), ...padded.slice(bottom + 1)],
      "row inserted", { row: bottom + 1, column: left });
  } else if (how === "repeat") {
    const names = Math.max(0, (rows[grid.headingRow()] ?? []).findIndex((text) => text !== ""));
    const copy = Array(width).fill("");
    copy[names] = padded[bottom][names] ?? "";
    setRows([...padded.slice(0, bottom + 1), copy, ...padded.slice(bottom + 1)], "row repeated",
      { row: bottom + 1, column: names + 1 });
  } else if (how === "column") setRows(insert(left, ""), "column inserted", { row: top, column: left });
  else if (how === "error") {
    const head = rows[grid.headingRow()]?.[left] ?? "";
    if (!head || head.startsWith("±")) return tell("Choose the column of a quantity first.");
    setRows(insert(left + 1, `± ${head}`), `± ${head} added`, { row: top, column: left + 1 });
  } else if (how === "no rows") {
    setRows(rows.filter((_, row) => row < top || row > bottom), "rows deleted", { row: top, column: left });
  } else {
    setRows(rows.map((cells) => cells.filter((_, column) => column < left || column > right)),
      "columns deleted", { row: top, column: left });
  }
  grid.focus();
}

async function paste(pasted, row, column) {
  let block = pasted;
  let said = "";
  const decimals = decimalsOf(block);
  if (decimals.kind === "commas") {
    block = withPoints(block);
    const many = decimals.cells.length;
    said = many === 1 ? ` One decimal comma (${decimals.cells[0]}) was written as a point.`
      : ` ${many} decimal commas (as in ${decimals.cells[0]}) were written as points.`;
  } else if (decimals.kind !== "points") {
    const sample = decimals.cells[0];
    const meant = await ask(`What does ${sample} mean?`, [decimals.kind === "unsure"
      ? "The comma may be a decimal comma or part thousands; nothing else in the block tells."
      : `The block also has ${decimals.cells[1]}, with a point.`], [
      { label: `A decimal comma: ${withPoints([[sample]])[0][0]}`, value: "points" },
      { label: `Thousands: ${withoutThousands([[sample]])[0][0]}`, value: "thousands" },
      { label: "Paste as it is", value: "as is" }]);
    if (!meant) return;
    if (meant === "points") block = withPoints(block);
    if (meant === "thousands") block = withoutThousands(block);
  }
  let top = row;
  let left = column;
  const rows = store.now.parts[shown];
  const heading = grid.headingRow();
  const first = (cells) => (cells?.find((text) => text !== "") ?? "").toLowerCase();
  let whole = false;
  if (heading >= 0 && block.length > 1 && first(block[0]) && first(block[0]) === first(rows[heading])) {
    const meant = row === heading && column === 0 && rows.length <= heading + 1 ? "whole"
      : await ask("The block brings its own header", [`It begins with '${block[0].find(Boolean)}', as this table does.`], [
        { label: "Let it stand for this table", value: "whole" },
        { label: `Paste it at ${cellName(row, column)}`, value: "here" }]);
    if (!meant) return;
    whole = meant === "whole";
    if (whole) { top = heading; left = 0; }
  }
  let next = whole ? rows.slice(0, heading) : rows;
  block.forEach((cells, down) => cells.forEach((text, right) => {
    next = withCell(next, top + down, left + right, text);
  }));
  setRows(next, `${block.length} rows pasted`, { row: top, column: left });
  grid.pickBlock(top, left, block.length, Math.max(...block.map((cells) => cells.length)));
  tell(`${block.length} ${block.length === 1 ? "row" : "rows"} pasted at ${cellName(top, left)}.${said} Ctrl+Z takes it back.`);
}

// circuit.toml as text

let textTimer = 0;
function textTyped() {
  setDraft({ part: shown, row: null, text: place.text.value });
  clearTimeout(textTimer);
  textTimer = setTimeout(textDone, 700);
}

function textDone() {
  clearTimeout(textTimer);
  const text = place.text.value;
  if (store.draft?.row === null) setDraft(null);
  if (!isText(shown) || text === store.now.parts[shown]) return;
  commit({ parts: { ...store.now.parts, [shown]: text } }, `${shown} typed`, { part: shown });
}
