// A table of raw cells, as the file has them: columns A, B, C, rows 1, 2, 3.
// One cell is active and has the focus; a range may be picked out; one editor moves about.
import { el } from "../dom.js";
import { blockOf, cellName, columnLetters, textOf } from "./cells.js";
import { pressed, SPARE_COLUMNS } from "./keys.js";

const ROWS_DRAWN = 140; // rows in the page at a time; the rest is room above and below
const SPARE_ROWS = 6;
const WIDE = /^[\d\s.,A-Z]+$/; // digits and capitals; other letters are narrower on the whole
const NUMBER = /^\s*[<>±]?\s*[-+]?[\d.,]+\s*%?\s*$/;

export class Grid {
  /**
   * `heard` has edit(cells, said): cells [{row, column, text}]; typing(row, column, text or null);
   * moved(row, column); paste(block, row, column); hover(row, column or null, box).
   */
  constructor(heard) {
    Object.assign(this, { heard, rows: [], marks: {}, active: { row: 0, column: 0 },
      anchor: { row: 0, column: 0 }, start: 0, leaving: false, editing: null, readonly: false });
    this.head = el("thead", { role: "rowgroup" });
    this.body = el("tbody", { role: "rowgroup" });
    this.widths = el("colgroup");
    this.table = el("table", { role: "grid", "aria-multiselectable": "true" },
      this.widths, this.head, this.body);
    this.editor = el("input", { type: "text", class: "editor", autocomplete: "off",
      spellcheck: "false", dir: "auto" });
    this.editor.addEventListener("input", () => this.typed());
    this.editor.addEventListener("blur", () => this.finish(true, null));
    this.element = el("div", { class: "cells", tabindex: "-1" }, this.table);
    for (const [name, what] of Object.entries({
      keydown: this.key, pointerdown: this.press, pointerover: this.over, pointerleave: this.left,
      dblclick: this.opened, focusin: this.focused, scroll: this.scrolled,
      copy: this.copied, cut: this.copied, paste: this.pasted })) {
      this.element.addEventListener(name, what.bind(this));
    }
    this.element.addEventListener("compositionstart", (event) => {
      if (event.target !== this.editor) this.edit("");
    });
  }

  /** Show these rows; what did not change is left as it is. */
  show(label, rows, anew) {
    const before = this.rows;
    this.rows = rows;
    this.table.setAttribute("aria-label", label);
    const wide = Math.max(4, ...rows.map((cells) => cells.length)) + SPARE_COLUMNS;
    const tall = Math.max(10, rows.length + SPARE_ROWS);
    const sameShape = !anew && wide === this.wide && tall === this.tall;
    Object.assign(this, { wide, tall });
    if (anew) {
      this.active = this.anchor = { row: 0, column: 0 };
      this.element.scrollTop = this.start = 0;
    }
    this.active = this.inside(this.active.row, this.active.column);
    this.anchor = this.inside(this.anchor.row, this.anchor.column);
    if (sameShape) {
      this.sizeColumns(true);
      for (const line of this.body.children) {
        const row = Number(line.dataset.row);
        if (line.dataset.row && before[row] !== rows[row]) this.fill(line, row);
      }
      this.pick();
    } else this.draw(true);
  }

  /** What is to be said of cells: {B3: {text, level}}. */
  mark(marks) {
    this.marks = marks;
    for (const line of this.body.children) {
      if (line.dataset.row) this.markRow(line, Number(line.dataset.row));
    }
  }

  text(row, column) { return this.rows[row]?.[column] ?? ""; }

  inside(row, column) {
    return { row: Math.max(0, Math.min(row, this.tall - 1)),
      column: Math.max(0, Math.min(column, this.wide - 1)) };
  }

  draw(withHead) {
    const focused = this.element.contains(document.activeElement);
    if (withHead) {
      this.table.setAttribute("aria-rowcount", this.tall + 1);
      this.table.setAttribute("aria-colcount", this.wide + 1);
      const letters = Array.from({ length: this.wide }, (_, column) => el("th", { role: "columnheader",
        scope: "col", "data-column": column }, columnLetters(column)));
      this.head.replaceChildren(el("tr", { role: "row" },
        el("td", { role: "columnheader", class: "corner" }, el("span", { class: "only-read" }, "row")), letters));
      this.sizeColumns(false);
    }
    const end = Math.min(this.tall, this.start + ROWS_DRAWN);
    const lines = [];
    for (let row = this.start; row < end; row++) {
      const line = el("tr", { role: "row", "data-row": row, "aria-rowindex": row + 2 },
        el("th", { role: "rowheader", scope: "row" }, String(row + 1)));
      for (let column = 0; column < this.wide; column++) {
        line.append(el("td", { role: "gridcell", tabindex: "-1" }));
      }
      this.fill(line, row);
      lines.push(line);
    }
    this.body.replaceChildren(...this.room(this.start), ...lines, ...this.room(this.tall - end));
    this.pick();
    if (focused && !this.editing) this.focus();
  }

  room(rows) {
    if (rows <= 0) return [];
    const cell = el("td", { colspan: this.wide + 1 });
    cell.style.height = `${rows * this.rowHeight()}px`;
    return [el("tr", { class: "room", role: "presentation" }, cell)];
  }

  rowHeight() {
    const line = this.body.querySelector("tr[data-row]");
    if (line?.offsetHeight) this.height = line.offsetHeight;
    return this.height ?? 28;
  }

  sizeColumns(growOnly) {
    const wants = Array.from({ length: this.wide }, () => 7);
    for (const cells of this.rows.slice(Math.max(0, this.headingRow()), 400)) { // not of titles above
      cells.forEach((text, column) => {
        wants[column] = Math.max(wants[column], Math.min(26, WIDE.test(text) ? text.length + 2.5 : 0.88 * text.length + 2.5));
      });
    }
    this.sizes = wants.map((want, column) => (growOnly ? Math.max(want, this.sizes[column]) : want));
    this.widths.replaceChildren(el("col", { class: "numbers-of-rows" }), ...this.sizes.map((size) => {
      const column = el("col");
      column.style.width = `${size}ch`;
      return column;
    }));
    this.table.style.width = `calc(${this.sizes.reduce((sum, size) => sum + size, 0)}ch + 3rem)`;
  }

  fill(line, row) {
    const heading = row === this.headingRow();
    line.classList.toggle("heading", heading);
    for (let column = 0; column < this.wide; column++) {
      const cell = line.children[column + 1];
      const text = this.text(row, column);
      if (this.editing?.cell === cell) continue;
      if (cell.textContent !== text) cell.textContent = text;
      cell.className = NUMBER.test(text) ? "figure" : "";
    }
    this.markRow(line, row);
  }

  /** The row that looks like the header: the first with two words. For its looks only. */
  headingRow() {
    if (this.headingOf !== this.rows) {
      this.headingOf = this.rows;
      this.heading = this.rows.findIndex((cells) => cells.filter((text) => text !== "").length > 1);
    }
    return this.heading;
  }

  markRow(line, row) {
    for (let column = 0; column < this.wide; column++) {
      const cell = line.children[column + 1];
      const level = this.marks[cellName(row, column)]?.level ?? null;
      if ((cell.dataset.level ?? null) === level) continue;
      if (level === null) delete cell.dataset.level;
      else cell.dataset.level = level;
      if (level === "fault") cell.setAttribute("aria-invalid", "true");
      else cell.removeAttribute("aria-invalid");
    }
  }

  cell(row, column) {
    return this.body.querySelector(`tr[data-row="${row}"]`)?.children[column + 1] ?? null;
  }

  placeOf(target) {
    const cell = target.closest?.("td[role=gridcell]");
    if (!cell || !this.body.contains(cell)) return null;
    return { row: Number(cell.parentNode.dataset.row), column: cell.cellIndex - 1 };
  }

  range() {
    const { active, anchor } = this;
    return { top: Math.min(active.row, anchor.row), bottom: Math.max(active.row, anchor.row),
      left: Math.min(active.column, anchor.column), right: Math.max(active.column, anchor.column) };
  }

  /** Show which cells are picked out, and let the active one take the focus. */
  pick() {
    for (const old of this.picked ?? []) {
      old.removeAttribute("aria-selected");
      old.tabIndex = -1;
    }
    const { top, bottom, left, right } = this.range();
    const many = top !== bottom || left !== right;
    this.picked = [];
    for (const line of this.body.children) {
      const row = Number(line.dataset.row ?? -1);
      if (row < top || row > bottom) continue;
      for (let column = left; column <= right && many; column++) {
        line.children[column + 1].setAttribute("aria-selected", "true");
        this.picked.push(line.children[column + 1]);
      }
    }
    const cell = this.cell(this.active.row, this.active.column);
    if (cell) {
      cell.tabIndex = 0;
      this.picked.push(cell);
    }
    this.element.tabIndex = cell ? -1 : 0;
  }

  /** Make this cell the active one; `extend` keeps the other corner of the range. */
  go(row, column, extend = false, focus = true) {
    this.active = this.inside(row, column);
    if (!extend) this.anchor = this.active;
    if (this.active.row < this.start || this.active.row >= this.start + ROWS_DRAWN) {
      this.start = Math.max(0, this.active.row - Math.floor(ROWS_DRAWN / 2));
      this.draw(false);
    }
    this.pick();
    if (focus) this.focus();
    this.heard.moved(this.active.row, this.active.column);
  }

  focus() {
    const cell = this.cell(this.active.row, this.active.column);
    (cell ?? this.element).focus({ preventScroll: true });
    cell?.scrollIntoView({ block: "nearest", inline: "nearest" });
  }

  scrolled() {
    const first = Math.floor(this.element.scrollTop / this.rowHeight());
    const last = first + Math.ceil(this.element.clientHeight / this.rowHeight());
    const low = this.start > 0 && first < this.start + 10;
    const high = this.start + ROWS_DRAWN < this.tall && last > this.start + ROWS_DRAWN - 10;
    if (this.editing || (!low && !high)) return;
    this.start = Math.max(0, first - 50);
    this.draw(false);
  }

  // Editing

  edit(text) {
    if (this.readonly) return;
    const { row, column } = this.active;
    const cell = this.cell(row, column);
    if (!cell || this.editing) return;
    const fresh = text !== null;
    this.editing = { cell, row, column, before: this.text(row, column), fresh };
    this.editor.value = fresh ? text : this.editing.before;
    this.editor.setAttribute("aria-label", this.heard.named(row, column));
    cell.replaceChildren(this.editor);
    cell.classList.add("edited");
    this.editor.focus();
    this.editor.setSelectionRange(this.editor.value.length, this.editor.value.length);
  }

  typed() {
    if (this.editing) this.heard.typing(this.editing.row, this.editing.column, this.editor.value);
  }

  /** End editing: keep or drop what was typed, then move by `step` if there is one. */
  finish(keep, step) {
    const editing = this.editing;
    if (!editing) return;
    this.editing = null;
    const text = keep ? this.editor.value.trim() : editing.before;
    editing.cell.classList.remove("edited");
    editing.cell.textContent = text;
    this.heard.typing(editing.row, editing.column, null);
    if (text !== editing.before) {
      this.heard.edit([{ row: editing.row, column: editing.column, text }],
        `${cellName(editing.row, editing.column)} typed`);
    } else this.fill(editing.cell.parentNode, editing.row);
    if (step) this.go(editing.row + step[0], editing.column + step[1]);
    else if (step !== null) this.focus();
  }

  clear(said) {
    const { top, bottom, left, right } = this.range();
    const cells = [];
    for (let row = top; row <= bottom; row++) {
      for (let column = left; column <= right; column++) {
        if (this.text(row, column) !== "") cells.push({ row, column, text: "" });
      }
    }
    if (cells.length) this.heard.edit(cells, said);
  }

  key(event) { pressed(this, event); }

  // Mouse and touch

  press(event) {
    if (event.target === this.editor || event.button !== 0) return;
    const heading = event.target.closest("thead th[data-column]");
    const row = event.target.closest("tbody th")?.parentNode.dataset.row;
    const place = this.placeOf(event.target);
    if (!heading && row === undefined && !place) return;
    if (event.pointerType !== "touch") event.preventDefault();
    this.finish(true, null);
    if (heading) {
      this.anchor = { row: 0, column: Number(heading.dataset.column) };
      this.go(Math.max(0, this.rows.length - 1), Number(heading.dataset.column), true);
    } else if (row !== undefined) {
      this.anchor = { row: Number(row), column: 0 };
      this.go(Number(row), this.wide - SPARE_COLUMNS - 1, true);
    } else if (event.pointerType === "touch" && place.row === this.active.row
      && place.column === this.active.column) this.edit(null);
    else {
      this.go(place.row, place.column, event.shiftKey);
      this.dragging = event.pointerType === "mouse";
    }
  }

  over(event) {
    const place = this.placeOf(event.target);
    if (this.dragging && !(event.buttons & 1)) this.dragging = false;
    if (this.dragging && place) this.go(place.row, place.column, true);
    this.heard.hover(place, event.target);
  }

  left() { this.heard.hover(null); }

  opened(event) {
    if (this.placeOf(event.target) && event.target !== this.editor) this.edit(null);
  }

  focused(event) {
    const place = this.placeOf(event.target);
    if (place && event.target !== this.editor
      && (place.row !== this.active.row || place.column !== this.active.column)) {
      this.go(place.row, place.column, false, false);
    } else if (place) this.heard.moved(this.active.row, this.active.column);
  }

  // Clipboard

  copied(event) {
    if (this.editing) return;
    const { top, bottom, left, right } = this.range();
    const block = [];
    for (let row = top; row <= bottom; row++) {
      block.push(Array.from({ length: right - left + 1 }, (_, column) => this.text(row, left + column)));
    }
    event.clipboardData.setData("text/plain", textOf(block));
    event.preventDefault();
    if (event.type === "cut" && !this.readonly) this.clear("cells cut out");
  }

  pasted(event) {
    if (this.editing || this.readonly) return;
    event.preventDefault();
    const { top, left } = this.range();
    this.heard.paste(blockOf(event.clipboardData.getData("text/plain")), top, left);
  }

  /** Pick out the block that was just written. */
  pickBlock(top, left, height, width) {
    this.anchor = this.inside(top + height - 1, left + width - 1);
    this.go(top, left, true);
  }
}
