// The circuit as paper forms: streams with their ends, nodes with their kinds, stated errors.
import { button, byId, el, faultText } from "./dom.js";
import { edit } from "./edits.js";
import { blank, faultRow, heads, input, newRow, number, select } from "./fields.js";
import { forms } from "./forms.js";
import { manualLink } from "./manual.js";
import { choose, on, store } from "./store.js";

const OUTSIDE = "outside";
const place = {};

export function makeCircuit() {
  place.case = el("div", { class: "form" });
  place.streams = el("tbody");
  place.nodes = el("tbody");
  place.errors = el("tbody");
  place.more = el("div", { class: "folds" });
  place.nodeNames = el("datalist", { id: "node-names" });
  place.quantities = el("datalist", { id: "quantity-names" });
  place.streamHeads = heads("Stream", "From", "To", "Carries", "Counts as", "");
  place.carriesHead = place.streamHeads.querySelectorAll("th")[3];
  byId("circuit-body").append(place.case, place.nodeNames, place.quantities,
    el("div", { class: "forms" },
      el("table", { class: "form-table wide-form" }, el("caption", {}, "Streams"), place.streamHeads, place.streams),
      el("table", { class: "form-table" }, el("caption", {}, "Nodes ", manualLink("nodes", "kinds of nodes")), heads("Node", "Kind", ""), place.nodes),
      el("table", { class: "form-table" }, el("caption", {}, "Stated errors, one standard deviation, where a row states none ", manualLink("errors", "stated errors")),
        heads("Quantity", "± relative [%]", "± absolute", ""), place.errors)),
    place.more);
  for (const event of ["opened", "circuit", "changed", "answer"]) on(event, draw);
  on("chosen", showChosen);
}

/**
 * Draw again, but leave alone what is being typed: the field that is held, with what is picked out in
 * it, and the rows for new entries, which count once they are added.
 */
let drawn = "";
let drawnOf = null;
function draw() {
  const { circuit } = store.now;
  const now = JSON.stringify([store.doc.case, store.doc.readonly, circuit, (store.answer?.faults ?? []).map(faultText)]);
  if (now === drawn) return;
  drawn = now;
  const held = document.activeElement?.closest("#circuit-body") ? document.activeElement : null;
  const key = held?.dataset.key;
  const typed = held && "value" in held ? { value: held.value, dirty: held.value !== held.dataset.was } : null;
  const picked = held?.matches("input[type=text]") ? { from: held.selectionStart, to: held.selectionEnd } : null;
  const begun = drawnOf === store.doc.case ? [...byId("circuit-body").querySelectorAll("tr.new :is(input, select)")] : [];
  drawnOf = store.doc.case;
  drawCase(circuit);
  place.carriesHead.hidden = !wet(circuit);
  place.nodeNames.replaceChildren(...circuit.nodes.map((node) => el("option", { value: node.name })));
  place.quantities.replaceChildren(...quantities(circuit).map((name) => el("option", { value: name })));
  place.streams.replaceChildren(...circuit.streams.flatMap((stream, at) => streamRow(circuit, stream, at)),
    newStream());
  place.nodes.replaceChildren(...circuit.nodes.flatMap((node, at) => nodeRow(circuit, node, at)));
  if (!circuit.nodes.length) place.nodes.append(el("tr", {}, el("td", { colspan: 3, class: "hint" }, "They come with the ends of the streams.")));
  place.errors.replaceChildren(...(circuit.errors ?? []).map((rule, at) => errorRow(rule, at)), newError());
  const open = new Set([...place.more.querySelectorAll("details[open]")].map((each) => each.dataset.key));
  place.more.replaceChildren(...forms(circuit));
  for (const each of place.more.children) each.open = open.has(each.dataset.key);
  if (store.doc.readonly) for (const input of byId("circuit-body").querySelectorAll("input, select, button")) input.disabled = true;
  const keyed = (of) => byId("circuit-body").querySelector(`[data-key="${CSS.escape(of)}"]`);
  for (const { dataset, value, checked } of begun) Object.assign(keyed(dataset.key) ?? {}, { value, checked });
  const again = key && !held.isConnected ? keyed(key) : null;
  if (again) {
    if (typed?.dirty && again.dataset.was === held.dataset.was) again.value = typed.value;
    again.focus();
    if (picked) again.setSelectionRange(picked.from, picked.to === typed.value.length ? again.value.length : picked.to);
  }
  showChosen();
}

/** What is wrong with a stream or node itself, and not with a number in its row. */
export const faultsOf = (kind, name) => (store.answer?.faults ?? []).filter((fault) => fault[kind] === name
  && (fault.part === "circuit.toml" || fault.part === "circuit" || !fault.cell));

function drawCase(circuit) {
  place.case.replaceChildren(
    el("label", { class: "field grow" }, el("span", {}, "Title"), input("title", "Title", circuit.title ?? "",
      (value) => edit([{ op: "set", path: ["title"], value }], "title changed"))),
    el("label", { class: "field" }, el("span", {}, "Basis"), select("basis", "Basis", circuit.basis ?? "batch",
      [["batch", "batch: weights of one test"], ["rate", "rate: t/h and the like"]],
      (value) => edit([{ op: "set", path: ["basis"], value }], "basis changed"))),
    el("label", { class: "check field-low" }, el("input", { type: "checkbox", checked: Boolean(circuit.water),
      "data-key": "water", onchange: (event) => edit([{ op: "set", path: ["water"], value: event.target.checked }],
        "water or not") }), "water too"));
}

/** Whether what streams carry matters: water is balanced, or something else than pulp is carried. */
const wet = (circuit) => circuit.water || circuit.streams.some((stream) => stream.carries !== "pulp");

const end = (value) => (value === "" || value.toLowerCase() === OUTSIDE ? null : value);

function streamRow(circuit, stream, at) {
  const { name } = stream;
  const faults = faultsOf("stream", name);
  const connect = (from, to) => edit([{ op: "connect", name, from, to }], `'${name}' connected anew`);
  const carries = (circuit.carries ?? []).map((c) => [c, c]);
  const row = el("tr", { "data-stream": name, "aria-invalid": faults.length ? "true" : null,
    onfocusin: () => chooseOnce({ stream: name }) },
    el("th", { scope: "row" }, input(`name ${at}`, `Name of stream ${at + 1}`, name, (value, made) => (value
      ? edit([{ op: "rename stream", name, to_name: value }], `'${name}' renamed`) : back(made, name)))),
    el("td", {}, input(`from ${at}`, `'${name}' comes from`, stream.from ?? "",
      (value) => connect(end(value), stream.to), { list: "node-names", placeholder: OUTSIDE })),
    el("td", {}, input(`to ${at}`, `'${name}' goes to`, stream.to ?? "",
      (value) => connect(stream.from, end(value)), { list: "node-names", placeholder: OUTSIDE })),
    !wet(circuit) ? null : el("td", {}, select(`carries ${at}`, `'${name}' carries`, stream.carries, carries, (value) =>
      edit([{ op: "set", path: ["streams", name, "carries"], value }], `what '${name}' carries`))),
    el("td", {}, counts(circuit, stream, at)),
    el("td", {}, button("×", () => edit([{ op: "delete stream", name }], `'${name}' deleted`),
      { class: "small", "data-key": `delete ${at}`, "aria-label": `Delete stream '${name}'`, title: "Delete" })));
  return [row, ...faultRow(faults, 6)];
}

function back(made, value) {
  made.value = value;
}

/** Whether the report reckons from this stream, or to it. */
function counts(circuit, { name, from, to }, at) {
  if (from && to) return "";
  const role = from ? "products" : "feed";
  const names = circuit[from ? "products" : "feeds"] ?? [];
  const box = el("input", { type: "checkbox", checked: names.includes(name), "data-key": `counts ${at}`,
    onchange: (event) => edit([{ op: "report", feed: circuit.feeds ?? [], products: circuit.products ?? [],
      [role]: event.target.checked ? [...names, name] : names.filter((other) => other !== name) }],
    `what '${name}' counts as`) });
  return el("label", { class: "check" }, box, role === "feed" ? "feed" : "product",
    el("span", { class: "only-read" }, `: '${name}'`));
}

/** A new stream; where products are listed, one that leaves is a further product. */
export function addition(stream) {
  const { feeds, products } = store.now.circuit;
  const leaves = stream.from && !stream.to && products?.length;
  return [stream, ...(leaves ? [{ op: "report", feed: feeds ?? [], products: [...products, stream.name] }] : [])];
}

function newStream() {
  const ends = { list: "node-names", placeholder: OUTSIDE };
  const name = blank("new name", "Name of a new stream", { placeholder: "new stream" });
  const from = blank("new from", "The new stream comes from", ends);
  const to = blank("new to", "The new stream goes to", ends);
  const add = async () => {
    if (!name.value.trim()) { name.focus(); return; }
    const said = { op: "add stream", name: name.value.trim(), from: end(from.value.trim()), to: end(to.value.trim()) };
    for (const made of [name, from, to]) made.value = "";
    const done = await edit(addition(said), `'${said.name}' added`);
    if (!done) [name.value, from.value, to.value] = [said.name, said.from ?? "", said.to ?? ""];
    byId("circuit-body").querySelector('[data-key="new name"]').focus();
  };
  return newRow(add, el("th", { scope: "row" }, name), el("td", {}, from), el("td", {}, to),
    el("td", { colspan: 3 }, button("Add stream", add, { "data-key": "new add" })));
}

function nodeRow(circuit, node, at) {
  const { name } = node;
  const faults = faultsOf("node", name);
  const kinds = (circuit.kinds ?? ["separator"]).map((kind) => [kind, kind]);
  const row = el("tr", { "data-node": name, "aria-invalid": faults.length ? "true" : null,
    onfocusin: () => chooseOnce({ node: name }) },
    el("th", { scope: "row" }, input(`node ${at}`, `Name of node ${at + 1}`, name, (value, made) => (value
      ? edit([{ op: "rename node", name, to_name: value }], `'${name}' renamed`) : back(made, name)))),
    el("td", {}, select(`kind ${at}`, `Kind of node '${name}'`, node.kind ?? "separator", kinds, (kind) =>
      edit([{ op: "set kind", node: name, kind }], `kind of '${name}'`)),
    node.kind === "leach" && circuit.forms ? dissolving(node, at) : null),
    el("td", {}, button("×", () => edit([{ op: "delete node", name }], `'${name}' deleted`),
      { class: "small", "data-key": `delete node ${at}`, "aria-label": `Delete node '${name}'; its streams end outside`,
        title: "Delete; its streams end outside" })));
  return [row, ...faultRow(faults, 3)];
}

/** Whether ore dissolves in a leach, and how much. */
function dissolving({ name, dissolves }, at) {
  const set = (text) => edit([{ op: "set entry", path: ["nodes", name],
    value: { dissolves: text === "" || text === "no" ? null : text === "yes" ? true : text } }], `what dissolves in '${name}'`);
  return el("label", { class: "field" }, el("span", {}, "Ore dissolves, and how much"),
    input(`dissolves ${at}`, `How much ore dissolves in '${name}': yes, or an amount`, dissolves ?? "", set, { placeholder: "no; yes; 1.5 kg" }));
}

// Stated errors

/** Quantities that the headers of the tables name. */
function quantities(circuit) {
  const names = new Set(circuit.analytes ?? []);
  names.add(circuit.basis === "rate" ? "dry rate" : "dry mass");
  return [...names];
}

function errorRow(rule, at) {
  const text = (value) => (value === null || value === undefined ? "" : String(value));
  const set = (relative, absolute) => edit([{ op: "set error", quantity: rule.quantity,
    relative: relative === "" ? null : number(relative), absolute: absolute === "" ? null : absolute }],
  `stated error of ${rule.quantity}`);
  return el("tr", {}, el("th", { scope: "row", class: "named" }, rule.quantity),
    el("td", {}, input(`relative ${at}`, `Error of ${rule.quantity} in percent of the number`, text(rule.relative),
      (value) => set(value, text(rule.absolute)), { inputmode: "decimal" })),
    el("td", {}, input(`absolute ${at}`, `Error of ${rule.quantity} with its unit`, text(rule.absolute),
      (value) => set(text(rule.relative), value))),
    el("td", {}, button("×", () => set("", ""), { class: "small", "aria-label": `Delete the error of ${rule.quantity}`,
      "data-key": `delete error ${at}`, title: "Delete" })));
}

function newError() {
  const fields = [["new quantity", "Quantity of a new stated error", { list: "quantity-names", placeholder: "dry mass, Sn …" }],
    ["new relative", "Its error in percent of the number", { inputmode: "decimal", placeholder: "%" }],
    ["new absolute", "Its error with a unit", { placeholder: "5 g" }]]
    .map(([key, label, more]) => blank(key, label, more));
  const add = async () => {
    const [quantity, relative, absolute] = fields.map((made) => made.value.trim());
    if (!quantity || (!relative && !absolute)) { fields[quantity ? 1 : 0].focus(); return; }
    for (const made of fields) made.value = "";
    const done = await edit([{ op: "set error", quantity, relative: relative ? number(relative) : null,
      absolute: absolute || null }], `stated error of ${quantity}`);
    if (!done) fields.forEach((made, at) => { made.value = [quantity, relative, absolute][at]; });
    byId("circuit-body").querySelector('[data-key="new quantity"]').focus();
  };
  return newRow(add, fields.map((made, at) => el(at ? "td" : "th", at ? {} : { scope: "row" }, made)),
    el("td", {}, button("Add", add, { "data-key": "new error" })));
}

/** Begin a stream of this name, in the row for a new one. */
export function addStreamNamed(name) {
  const field = (key) => byId("circuit-body").querySelector(`[data-key="${key}"]`);
  field("new name").value = name;
  field("new from").focus();
}

/** Ask for the error of a quantity, in the row for a new one. */
export function stateError(quantity) {
  const field = (key) => byId("circuit-body").querySelector(`[data-key="${key}"]`);
  field("new quantity").value = quantity;
  field("new relative").focus();
}

// What is picked out

function chooseOnce(chosen) {
  if (store.chosen?.stream !== chosen.stream || store.chosen?.node !== chosen.node) choose(chosen);
}

function showChosen() {
  for (const row of byId("circuit-body").querySelectorAll("tr[data-stream], tr[data-node]")) {
    const is = store.chosen && ((row.dataset.stream !== undefined && row.dataset.stream === store.chosen.stream)
      || (row.dataset.node !== undefined && row.dataset.node === store.chosen.node));
    row.classList.toggle("chosen", Boolean(is));
    if (is && !row.contains(document.activeElement)) row.scrollIntoView({ block: "nearest" });
  }
}

/** Put the focus on the row of a stream or node. */
export function focusRow(chosen) {
  const [kind, name] = chosen.stream !== undefined ? ["stream", chosen.stream] : ["node", chosen.node];
  byId("circuit-body").querySelector(`tr[data-${kind}="${CSS.escape(name)}"] input`)?.focus();
}
