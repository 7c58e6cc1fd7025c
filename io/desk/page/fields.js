// Fields of the paper forms: what is typed counts once the field is left.
import { el, faultText } from "./dom.js";

/** A field of a form; `changed` is called with what stands in it once it is left. */
export function input(key, label, value, changed, more = {}) {
  const made = el("input", { type: "text", value, "data-key": key, "aria-label": label, dir: "auto",
    autocomplete: "off", spellcheck: "false", ...more });
  made.dataset.was = value;
  made.addEventListener("change", () => { if (made.value.trim() !== value) changed(made.value.trim(), made); });
  return made;
}

/** A blank field of a row for a new entry. */
export const blank = (key, label, more = {}) => input(key, label, "", () => {}, more);

export function select(key, label, value, options, changed) {
  return el("select", { "data-key": key, "aria-label": label, onchange: (event) => changed(event.target.value) },
    options.map(([option, said]) => el("option", { value: option, selected: option === value }, said)));
}

export const heads = (...names) => el("thead", {}, el("tr", {}, names.map((name) =>
  el("th", { scope: "col" }, name || el("span", { class: "only-read" }, "Delete")))));

/** A row for a new entry: Enter in a field of it adds, as its button does. */
export const newRow = (add, ...cells) => el("tr", { class: "new", onkeydown: (event) => {
  if (event.key === "Enter" && event.target.matches("input")) { event.preventDefault(); add(); }
} }, cells);

/** What is wrong with a row, below it. */
export function faultRow(faults, columns) {
  if (!faults.length) return [];
  return [el("tr", { class: "fault" }, el("td", { colspan: columns },
    faults.map((fault) => el("p", {}, "To mend: ", faultText(fault)))))];
}

/** A number if it is one, else the text as typed, for the server to refuse with its words. */
export const number = (text) => (/^[-+]?\d*\.?\d+(e[-+]?\d+)?$/i.test(text) ? Number(text) : text);
