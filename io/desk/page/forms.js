// Forms for what else circuit.toml says: analytes, sources of error, doubts, containers, the
// laboratory's export. Each is folded away, its entries named in its title.
import { button, byId, el } from "./dom.js";
import { edit } from "./edits.js";
import { blank, faultRow, heads, input, newRow, number, select } from "./fields.js";
import { manualLink } from "./manual.js";
import { store } from "./store.js";

/** How a column is written in the file; `null` takes its cell out. */
const KINDS = {
  text: (text) => text || null,
  number: (text) => (text === "" ? null : number(text)),
  list: (text) => {
    const names = text.split(";").map((name) => name.trim()).filter(Boolean);
    return names.length > 1 ? names : names[0] ?? null;
  },
};

/** Columns are [key, heading, kind, what more the field has]. */
const SOURCES = [["of", "Of", "list", { placeholder: "Sn; Pb" }], ["streams", "Streams", "list", { placeholder: "all", "data-default": "all" }],
  ["relative", "± relative [%]", "number", { inputmode: "decimal" }], ["absolute", "± absolute", "text", { placeholder: "5 g" }],
  ["shared", "Same for all", "yes"]];
const ANALYTES = [["unit", "Unit", "text", { placeholder: "%" }], ["max", "Largest grade", "number", { inputmode: "decimal" }],
  ["detection", "Detection limit", "text", { placeholder: "0.01 %" }]];
const DISSOLVED = ["dissolved", "In solution too", "yes"];

/** The forms of a case whose circuit stands in a text; none of a workbook, which has sheets. */
export function forms(circuit) {
  const { forms: known } = circuit;
  if (!known) return [];
  const { lab } = known;
  const named = (rows) => rows.map((row) => row.name).join(", ");
  return [
    folded("analytes", "Analytes", named(known.analytes), "Left out, the headers of the numbers say what was assayed.", entries({ id: "analytes", names: [["Analyte", "Sn"]],
      columns: circuit.water ? [...ANALYTES, DISSOLVED] : ANALYTES }, known.analytes)),
    folded("sources", "Sources of error", named(known.sources),
      "They come on top of the stated errors; replicates do not lessen them. Several names are parted by ;",
      entries({ id: "sources", names: [["Source", "floor scale"]], columns: SOURCES }, known.sources)),
    folded("doubts", "How often numbers are badly wrong", named(known.doubts), "Before anybody looked, in percent.",
      entries({ id: "doubts", names: [["Quantity, source, measurement or loss", "measurement"]], single: true,
        columns: [["percent", "Percent", "number", { inputmode: "decimal", placeholder: "3" }]] }, known.doubts)),
    folded("containers", "Containers", named(known.containers), "A container that was not taken off is a common slip.",
      entries({ id: "containers", names: [["Container", "steel bucket"]], single: true,
        columns: [["mass", "Empty mass", "text", { placeholder: "1.35 kg" }]] }, known.containers)),
    folded("losses", "Losses nobody measured", named(known.losses), "At a node: 0 ± the size stated, never below 0; with the grades of a stream.",
      entries({ id: "losses", names: [["Node", "mill"]], columns: [circuit.basis === "rate"
        ? ["rate", "± as a rate", "text", { placeholder: "0.5 t/h" }] : ["mass", "± as a mass", "text", { placeholder: "60 t" }],
      ["like", "Grades of", "text", { placeholder: "mill feed" }]] }, known.losses)),
    folded("metal prices", "Prices", named(known.prices), "What metal is worth, all in one currency. Your figures, no valuation.",
      entries({ id: "prices", names: [["Analyte", "Sn"]], single: true,
        columns: [["price", "Price", "text", { placeholder: "24 EUR/kg" }]] }, known.prices)),
    folded("lab", "Headers of the laboratory's export", lab.file,
      "Where the laboratory's file names things otherwise than the table Laboratory does.", ...laboratory(lab)),
  ];
}

function folded(key, title, named, hint, ...content) {
  const about = key === "lab" ? "lab headers" : key;
  return el("details", { class: "form-fold", "data-key": `form ${key}`, "data-manual": about }, el("summary", {}, title,
    named ? el("span", { class: "hint", dir: "auto" }, ` ${named}`) : null),
  el("p", { class: "hint" }, hint, " ", manualLink(about, title.toLowerCase())), content);
}

const faultsAt = (line) => (line ? (store.answer?.faults ?? []).filter((fault) =>
  fault.part === "circuit.toml" && fault.line === line) : []);

/** A table of named entries; `within` is the way to it inside its table, `single` has one value each. */
function entries({ id, caption, names, columns, within = [id], single = false, id: key }, rows) {
  const path = (named) => [...within, ...named];
  const set = (named, column, value) => edit([{ op: "set entry", path: path(named),
    value: single ? value : { [column]: value } }], `${column} of ${named.join(" ")}`);
  const wide = names.length + columns.length + 1;
  const body = rows.flatMap((row) => {
    const named = row.standard === undefined ? [row.name] : [row.standard, row.name];
    const at = `${key} ${named.join("/")}`;
    const faults = faultsAt(row.line);
    return [el("tr", { "aria-invalid": faults.length ? "true" : null },
      named.map((name) => el("th", { scope: "row", dir: "auto", class: "named" }, name)),
      columns.map(([column, heading, kind, more]) => el("td", {},
        cell(`${at} ${column}`, `${heading} of ${named.join(" ")}`, row.cells[column], kind, more, (value) => set(named, column, value)))),
      el("td", {}, button("×", () => edit([{ op: "set entry", path: path(named), value: null }], `${named.join(" ")} taken out`),
        { class: "small", "data-key": `${at} delete`, "aria-label": `Delete ${named.join(" ")}`, title: "Delete" }))),
    ...faultRow(faults, wide)];
  });
  return el("table", { class: "form-table" }, caption ? el("caption", {}, caption) : null,
    heads(...names.map(([heading]) => heading), ...columns.map(([, heading]) => heading), ""),
    el("tbody", {}, body, addition(key, names, columns, path, single)));
}

/** Whether an entry says yes: so does the span of time over which an error is shared. */
const isYes = (value) => ![undefined, null, false, "", "false", "no"].includes(value);

function cell(key, label, value, kind, more, changed) {
  if (kind === "yes") {
    return el("input", { type: "checkbox", checked: isYes(value), "data-key": key, "aria-label": label,
      onchange: (event) => changed(event.target.checked || null) });
  }
  if (Array.isArray(kind)) {
    const options = kind.includes(value) ? kind : [value ?? "", ...kind];
    return select(key, label, value ?? "", options.map((each) => [each, each]), changed);
  }
  const { placeholder, ...others } = more; // an example would pass for what is stated
  return input(key, label, String(value ?? ""), (text) => changed(KINDS[kind](text)),
    { ...others, "data-kind": kind, placeholder: more["data-default"] });
}

function addition(key, names, columns, path, single) {
  const fields = names.map(([heading, placeholder], at) => blank(`${key} new name ${at}`, `${heading} of a new entry`, { placeholder }));
  const cells = columns.map(([column, heading, kind, more]) => {
    const label = `Its ${heading.toLowerCase()}`;
    if (kind === "yes") return el("input", { type: "checkbox", "data-key": `${key} new ${column}`, "aria-label": label });
    if (Array.isArray(kind)) return select(`${key} new ${column}`, label, kind[0], kind.map((each) => [each, each]), () => {});
    return blank(`${key} new ${column}`, label, { ...more, "data-kind": kind });
  });
  const valueOf = (made, kind) => (kind === "yes" ? made.checked || null : Array.isArray(kind) ? made.value : KINDS[kind](made.value.trim()));
  const add = async () => {
    const missing = [...fields, ...(single ? cells : [])].find((made) => !made.value.trim());
    if (missing) { missing.focus(); return; }
    const named = fields.map((made) => made.value.trim());
    const values = columns.map(([column, , kind], at) => [column, valueOf(cells[at], kind)]);
    const done = await edit([{ op: "set entry", path: path(named),
      value: single ? values[0][1] : Object.fromEntries(values) }], `${named.join(" ")} added`);
    if (!done) return;
    const field = (last) => byId("circuit-body").querySelector(`[data-key="${key} new ${last}"]`);
    for (const name of [...names.keys()].map((at) => `name ${at}`).concat(columns.map(([column]) => column))) {
      const made = field(name);
      if (made?.type === "checkbox") made.checked = false;
      else if (made?.matches("input")) made.value = "";
    }
    field("name 0")?.focus();
  };
  return newRow(add, fields.map((made) => el("th", { scope: "row" }, made)), cells.map((made) => el("td", {}, made)),
    el("td", {}, button("Add", add, { "data-key": `${key} new add` })));
}

function laboratory(lab) {
  const one = (key, label, placeholder) => el("label", { class: "field" }, el("span", {}, label),
    input(`lab ${key}`, label, lab[key], (text) => edit([{ op: "set entry", path: ["lab", key], value: text || null }], `${label} of the laboratory`), { placeholder }));
  return [
    el("div", { class: "form" }, one("file", "File", "batch 17.csv"), one("sheet", "Sheet, of a workbook", "")),
    el("table", { class: "form-table" }, el("caption", {}, "Columns"), heads("Ours", "Theirs"), el("tbody", {}, lab.headers.map((ours) =>
      el("tr", {}, el("th", { scope: "row", class: "named" }, ours), el("td", {}, input(`lab column ${ours}`, `Their header of ${ours}`, lab.columns[ours] ?? "",
        (text) => edit([{ op: "set entry", path: ["lab", "columns", ours], value: text || null }], `header of ${ours}`))))))),
    entries({ id: "lab types", caption: "Kinds of sample", names: [["Their word", "STD"]], single: true, within: ["lab", "types"],
      columns: [["type", "Is a", lab.meanings]] }, lab.types),
    entries({ id: "lab analytes", caption: "Analytes", names: [["Ours", "Sn"]], within: ["lab", "analytes"],
      columns: [["column", "Column of its own", "text", {}], ["called", "Or called", "text", {}], ["unit", "Unit", "text", { placeholder: "%" }]] }, lab.analytes),
    entries({ id: "lab standards", caption: "Certified values", names: [["Standard", "STD-A"], ["Analyte", "Sn"]], within: ["lab", "standards"],
      columns: [["certified", "Certified", "text", { placeholder: "1.52 %" }], ["certified sd", "± one sd", "text", { placeholder: "0.02 %" }]] }, lab.standards),
  ];
}
