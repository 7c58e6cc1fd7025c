// The answer beside the numbers: verdict, products, suspects, what next; and what is to mend.
import { button, byId, el, faultText } from "./dom.js";
import { manualLink, ofFault } from "./manual.js";
import { addStreamNamed, focusRow, stateError } from "./circuit.js";
import { jumpTo, textAt } from "./table/numbers.js";
import { choose, on, store } from "./store.js";
import { drawTrying, drawWhatifs, tryOut } from "./whatif.js";

export function makeAnswer() {
  on("opened", () => byId("answer-body").replaceChildren(el("p", { class: "hint" }, "Reading …")));
  on("answer", draw);
  on("changed", draw);
}

let drawn = "";
function draw() {
  const { answer } = store;
  if (!answer) return;
  const { drawing, cells, values, circuit, time, number, ...said } = answer;
  const now = JSON.stringify([store.doc.case, said, store.now.whatif]);
  if (now === drawn) return;
  drawn = now;
  const body = byId("answer-body");
  const key = body.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  const open = new Set([...body.querySelectorAll("details[open]")].map((each) => each.dataset.key));
  body.classList.toggle("first", Boolean(answer.first));
  body.replaceChildren(...sections(answer).filter(Boolean));
  for (const each of body.querySelectorAll("details")) each.open = open.has(each.dataset.key);
  if (key) (body.querySelector(`[data-key="${CSS.escape(key)}"]`) ?? byId("answer")).focus({ preventScroll: true });
  chip(answer);
}

function sections(answer) {
  if (answer.faults?.length) return [faults(answer.faults), drawWhatifs(answer)];
  if (answer.refused) return [refused(answer.refused), drawWhatifs(answer), screen(answer)];
  return [
    verdict(answer),
    drawWhatifs(answer),
    paragraphs("recovered", answer.recovered),
    answer.products ? table("Products", answer.products) : null,
    paragraphs("below", answer.products?.below),
    suspects(answer.suspects),
    list("Next", answer.next, manualLink("next", "why metal is lost")),
    list("Caution", answer.cautions),
    list("Contradiction", answer.contradictions),
    paragraphs("notes", answer.notes),
    drawTrying(answer),
    moved(answer.values),
    screen(answer),
  ];
}

/** One line of how it stands, for the top of the page; with a sign, not by colour alone. */
function standing(answer) {
  const many = answer.faults?.length ?? 0;
  if (isBlank(answer)) return ["open", "Nothing filled in yet"];
  if (answer.first && !answer.verdict) return ["open", "Balanced"];
  if (many) return ["fault", many === 1 ? "One thing to mend" : `${many} things to mend`];
  if (answer.refused) return ["fault", "No balance"];
  return answer.verdict?.sound ? ["sound", "Sound"] : ["doubt", "To be checked"];
}

export const SIGNS = { fault: "✕", sound: "✓", doubt: "?", open: "…" };

/** Whether all that is wrong is that nothing was filled in. */
const isBlank = (answer) => answer.faults?.length > 0 && answer.faults.every((fault) => fault.missing?.what === "number");

function chip(answer) {
  const [level, text] = standing(answer);
  const chipped = byId("chip");
  chipped.dataset.level = level;
  chipped.textContent = `${SIGNS[level]} ${text}`;
}

function verdict(answer) {
  const [level] = standing(answer);
  return el("p", { class: "verdict", "data-level": level, role: "status" },
    el("span", { class: "sign", "aria-hidden": "true" }, SIGNS[level]),
    answer.verdict?.text ?? "It balances; what may be wrong is being looked for.");
}

function faults(found) {
  const [level, text] = standing({ faults: found });
  if (level === "open") return el("div", { role: "status" }, blankSheet(found));
  return el("div", { role: "status" }, el("p", { class: "verdict", "data-level": "fault" },
    el("span", { class: "sign", "aria-hidden": "true" }, SIGNS.fault), `${text}:`),
  el("ul", { class: "faults" }, found.map((fault, at) => el("li", {},
    placeOf(fault) ? button(placeOf(fault), () => jump(fault), { "data-key": `fault ${at}` }) : null,
    " ", faultText(fault),
    " ", offered(fault, at), " ", manualLink(ofFault(fault), "what may stand there")))));
}

const blankSheet = (found) => [
  el("p", { class: "verdict", "data-level": "open" }, el("span", { class: "sign", "aria-hidden": "true" }, SIGNS.open), found[0].problem),
  el("p", {}, found[0].mend),
];

/** A button for what is missing, where a form takes it. */
function offered({ missing, part, cell }, at) {
  if (store.doc.readonly || !missing?.name) return null;
  if (missing.what === "error") {
    return button("State it once for all rows", () => unfolded(() => stateError(missing.name)), { "data-key": `state ${at}` });
  }
  if (missing.what === "stream" && cell) {
    return button("Add the stream", () => unfolded(() => addStreamNamed(textAt(part, cell) || missing.name)), { "data-key": `add ${at}` });
  }
  return null;
}

function unfolded(then) {
  if (byId("desk").classList.contains("folded")) byId("fold").click();
  then();
}

function placeOf(fault) {
  const part = fault.part?.replace(/\.(csv|toml)$/, "");
  if (fault.cell) return `${part} ${fault.cell}`;
  if (fault.stream && (!fault.part || part === "circuit")) return `stream ${fault.stream}`;
  if (fault.node) return `node ${fault.node}`;
  if (fault.line) return `${part}, line ${fault.line}`;
  return part ?? null;
}

function jump(fault) {
  const { circuit } = store.now;
  if (!fault.cell && fault.stream && circuit.streams.some((stream) => stream.name === fault.stream)) return toRow({ stream: fault.stream });
  if (!fault.cell && fault.node && circuit.nodes.some((node) => node.name === fault.node)) return toRow({ node: fault.node });
  return jumpTo(fault.part, fault.cell, fault.line);
}

function toRow(chosen) {
  choose(chosen);
  focusRow(chosen);
}

function refused({ reason, mend, repairs, why }) {
  return el("div", { role: "status" }, el("p", { class: "verdict", "data-level": "fault" },
    el("span", { class: "sign", "aria-hidden": "true" }, SIGNS.fault), reason, " ", manualLink("refused", "what to measure")),
  why?.length ? why.map((text) => el("p", {}, text)) : mend ? el("p", {}, mend) : null,
  repairs?.length ? el("ul", { class: "plain" }, repairs.map((repair, at) => el("li", {}, repair.text, " ",
    repair.whatif ? button("Try it", () => tryOut(repair.whatif, repair.text), { "data-key": `repair ${at}` }) : null))) : null);
}

/** A table of strings; the first column names the row. */
export function table(caption, { columns, rows }) {
  return el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": caption },
    el("table", { class: "answer-table" }, el("caption", { class: "only-read" }, caption),
      el("thead", {}, el("tr", {}, columns.map((name) => el("th", { scope: "col" }, name)))),
      el("tbody", {}, rows.map((cells) => el("tr", {}, cells.map((text, at) =>
        el(at ? "td" : "th", at ? {} : { scope: "row", dir: "auto" }, text)))))));
}

const paragraphs = (kind, texts) => (texts?.length ? el("div", { class: kind }, texts.map((text) => el("p", {}, text))) : null);

const list = (title, texts, more = null) => (texts?.length ? el("div", { class: `list ${title.toLowerCase()}` },
  texts.map((text) => el("p", {}, text.startsWith(`${title}:`) ? null : el("strong", {}, `${title}: `), text, more && "\u00a0", more))) : null);

function suspects(found) {
  if (!found?.length) return null;
  return el("div", { class: "suspects" }, el("h3", {}, "What may be wrong ", manualLink("suspects", "when a number is wrong")), el("ol", {}, found.map((suspect, row) => el("li", {},
    el("p", {}, suspect.text, suspect.chance ? el("span", { class: "chance" }, ` That is ${suspect.chance} likely.`) : null),
    (suspect.details ?? []).map((text) => el("p", { class: "hint" }, text)),
    el("p", { class: "choices" },
      (suspect.members ?? []).filter((member) => member.cell).map((member, at) =>
        button(`See ${member.cell}`, () => jumpTo(member.part, member.cell),
          { "data-key": `member ${row} ${at}`, "aria-label": `See ${member.quantity} of '${member.stream}', cell ${member.cell}` })),
      (suspect.actions ?? []).map((action, at) => button(action.label, () => tryOut(action.whatif, action.label),
        { class: "action", "data-key": `action ${row} ${at}` })))))));
}

/** What is drawn only once it is opened: it may be long. */
export function unfolding(key, title, content) {
  const details = el("details", { "data-key": key }, el("summary", {}, title));
  details.addEventListener("toggle", () => {
    if (details.open && details.children.length === 1) details.append(...[content()].flat());
  });
  return details;
}

/** Every number measured against adjusted, as they are when it is opened. */
function moved(found) {
  if (!found?.length) return null;
  const title = "Every number, measured and adjusted";
  const columns = ["number", "unit", "measured", "±", "adjusted", "±", "moved [sd]"];
  return unfolding("values", title, () => [manualLink("values", "how numbers are adjusted"), table(title, { columns, rows: found.map((value) => [
    `${value.quantity} of ${value.stream}`, value.unit, value.text.measured, value.text.sd, value.text.adjusted,
    value.text.adjusted_sd, value.standardised === null ? "–" : value.standardised.toFixed(1)]) })]);
}

function screen(answer) {
  if (!answer.text) return null;
  return el("details", { "data-key": "screen" }, el("summary", {}, "As the command line prints it"),
    el("pre", { tabindex: "0", role: "region", "aria-label": "As the command line prints it" }, answer.text));
}
