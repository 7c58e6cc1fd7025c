// What if: numbers left out or changed beside the case, never in it until it is said so.
import { ask, askText, button, el, tell } from "./dom.js";
import { take } from "./edits.js";
import { manualLink } from "./manual.js";
import { table, unfolding } from "./answer.js";
import { commit, NO_WHATIF, store } from "./store.js";

const target = (item) => (item.includes("=") ? item.slice(0, item.indexOf("=")) : item);

/** Put a what-if beside the case; of one number the last counts. */
export function tryOut(more, said) {
  const { without, with: instead } = store.now.whatif;
  const next = { without: [...without], with: [...instead] };
  for (const kind of ["without", "with"]) {
    for (const item of more[kind] ?? []) {
      for (const other of ["without", "with"]) next[other] = next[other].filter((old) => target(old) !== target(item));
      next[kind].push(item);
    }
  }
  commit({ whatif: next }, `what if: ${said}`);
  const beside = document.querySelector(".beside");
  beside?.querySelector("button")?.focus({ preventScroll: true });
  beside?.scrollIntoView({ block: "start" });
  tell("What if: beside the case, not in it.");
}

function without(kind, item) {
  const next = { ...store.now.whatif, [kind]: store.now.whatif[kind].filter((old) => old !== item) };
  return next.without.length || next.with.length ? next : NO_WHATIF;
}

/** A what-if as one says it: 'without Cu of 'tails'', 'with Cu of 'tails' 0.16 ± 0.01 %'. */
function words(kind, item) {
  const keyed = (store.answer?.values ?? []).find((value) => target(item) === keyOf(value));
  if (!keyed) return `${kind} ${item}`;
  const [, value, sd, rest] = /^=(\S+) \+- (\S+)(.*)$/.exec(item.slice(target(item).length)) ?? [];
  const given = value === undefined ? item.slice(target(item).length) : `${value} ± ${Number(Number(sd).toPrecision(2))}${rest}`;
  return `${kind} ${keyed.quantity} of '${keyed.stream}' ${given}`.trim();
}

const keyOf = (value) => `${value.stream}:${value.quantity}`;

/** The what-ifs in force, each with its ways back, and the answer with them. */
export function drawWhatifs(answer) {
  const { whatif } = store.now;
  const items = ["without", "with"].flatMap((kind) => whatif[kind].map((item) => ({ kind, item })));
  if (!items.length) return null;
  const { beside } = answer;
  return el("div", { class: "beside" }, el("h3", {}, "What if ", manualLink("otherwise", "trying numbers otherwise")),
    el("ul", { class: "plain" }, items.map(({ kind, item }, at) => el("li", {},
      el("span", { class: "item", dir: "auto" }, words(kind, item)),
      button("Take back", () => commit({ whatif: without(kind, item) }, "what-if taken back"), { "data-key": `back ${at}` }),
      button("Write it into the case", () => intoCase(kind, item),
        { "data-key": `take ${at}`, disabled: Boolean(store.doc.readonly) })))),
    beside ? [...beside.text.map((text) => el("p", {}, text)),
      ...beside.tables.map((each) => table(each.caption || "If so", each))] : null,
    el("p", { class: "hint" }, "The case itself is as it was."));
}

async function intoCase(kind, item) {
  const done = kind === "without" ? "The number is taken out of its table" : "The number in its table is changed";
  const sure = await ask("Write it into the case?", [`${inCapitals(words(kind, item))}.`, `${done}; Ctrl+Z takes it back.`],
    [{ label: "Write it", value: true }, { label: "Leave it", value: false }]);
  if (sure) await take({ without: [], with: [], [kind]: [item] }, without(kind, item), "what-if written into the case");
}

const inCapitals = (text) => text.slice(0, 1).toUpperCase() + text.slice(1);

/** Any number at all may be tried: left out, read otherwise, with another stated error. */
export function drawTrying(answer) {
  const values = (answer.values ?? []).filter((value) => value.measured !== null && value.measured !== undefined);
  return values.length ? unfolding("trying", "Try any number otherwise", () => trying(values)) : null;
}

function trying(values) {
  const select = el("select", { "aria-label": "A number to try without or otherwise", "data-key": "try" },
    values.map((value, at) => el("option", { value: at }, `${value.quantity} of ${value.stream}`)));
  const picked = () => values[Number(select.value)];
  const put = async (what) => {
    const value = picked();
    const whose = `${value.quantity} of '${value.stream}'`;
    const said = { reading: String(value.measured), error: String(value.sd ?? "") };
    said[what] = what === "reading" ? await askText("Another reading", `${whose}${unit(value)}`, said.reading)
      : await askText("Another stated error", `one sd${unit(value)} of ${whose}`, said.error);
    if (said[what] === null) return;
    tryOut({ with: [`${keyOf(value)}=${said.reading} +- ${said.error} ${value.unit ?? ""}`.trim()] }, whose);
  };
  return el("p", { class: "choices" }, select,
    button("Leave out", () => tryOut({ without: [keyOf(picked())] }, words("without", keyOf(picked()))), { "data-key": "try out" }),
    button("Another reading …", () => put("reading"), { "data-key": "try reading" }),
    button("Another ± …", () => put("error"), { "data-key": "try error" }));
}

const unit = (value) => (value.unit ? ` [${value.unit}]` : "");
