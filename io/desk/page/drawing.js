// The live drawing: pick out a stream or node, connect by picking a start and an end.
import { askText, button, byId, el, tell } from "./dom.js";
import { addition, faultsOf, focusRow } from "./circuit.js";
import { edit } from "./edits.js";
import { choose, on, store } from "./store.js";

const place = {};
let asking = null; // {streams: name or null, ends: [], said}

export function makeDrawing() {
  place.tools = el("div", { class: "tools", role: "toolbar", "aria-label": "Drawing" });
  place.mode = el("p", { class: "hint", role: "status" });
  place.sheet = el("div", { class: "sheet", role: "group", "aria-label": "Drawing of the circuit: arrows move, Enter picks out",
    onclick: (event) => picked(event.target.closest("[data-stream], [data-node]")), onkeydown: key });
  byId("drawing-body").append(place.mode, place.tools, place.sheet);
  byId("drawing").addEventListener("keydown", (event) => {
    if (event.key === "Escape" && isLarge() && !asking) enlarge();
  });
  new ResizeObserver(() => requestAnimationFrame(size)).observe(place.sheet);
  on("opened", () => { byId("drawing").classList.remove("large"); asking = null; place.text = null; place.sheet.replaceChildren(); tools(); });
  on("answer", draw);
  on("chosen", () => { show(); tools(); });
  on("changed", tools);
  tools();
}

function draw() {
  const text = store.answer?.drawing;
  const passing = store.draft && store.answer.faults?.length; // half a number is no reason to draw anew
  if (!text || text === place.text || (passing && place.text)) { show(); return; }
  const parsed = new DOMParser().parseFromString(text, "image/svg+xml");
  const svg = parsed.documentElement;
  if (svg.nodeName !== "svg") return;
  place.text = text;
  const held = place.sheet.contains(document.activeElement) ? keyOf(document.activeElement) : null;
  place.sheet.replaceChildren(document.importNode(svg, true));
  const drawn = place.sheet.firstChild;
  drawn.setAttribute("role", "group");
  place.natural = Number(drawn.getAttribute("width")) || 0;
  size();
  for (const part of parts()) {
    part.setAttribute("role", "button");
    part.setAttribute("tabindex", "-1");
    if (!part.hasAttribute("aria-label")) {
      part.setAttribute("aria-label", part.dataset.stream !== undefined ? `stream ${part.dataset.stream}` : `node ${part.dataset.node}`);
    }
  }
  parts()[0]?.setAttribute("tabindex", "0");
  for (const line of drawn.querySelectorAll("[data-stream] path[fill=none], path[data-stream][fill=none]")) widen(line);
  show();
  if (held) parts().find((part) => keyOf(part) === held)?.focus();
}

/** A broad line that cannot be seen, so that a thin one can be hit. */
function widen(line) {
  const broad = line.cloneNode();
  broad.setAttribute("class", "broad");
  broad.setAttribute("stroke-width", "14");
  broad.removeAttribute("id");
  line.after(broad);
}

const LEAST = 0.85; // of its natural size: smaller letters are hard to read
const MOST = 1.6; // of its natural size: there is nothing more to see

/** As large as the sheet is wide, within what can be read; or all of it, if that is asked for. */
function size() {
  const drawn = place.sheet.querySelector("svg");
  if (!drawn || !place.natural) return;
  const { natural } = place;
  const most = natural * (isLarge() ? MOST : 1);
  const room = place.sheet.clientWidth - 2;
  const tall = Number(drawn.getAttribute("height")) || 1;
  const whole = Math.min(room, most, Math.max(120, place.sheet.clientHeight - 4) * natural / tall);
  const wide = place.whole || isLarge() ? whole : Math.min(natural, Math.max(room, LEAST * natural));
  drawn.style.width = `${Math.floor(wide)}px`;
}

const isLarge = () => byId("drawing").classList.contains("large");

/** As large as the window, or back in its place. */
function enlarge() {
  byId("drawing").classList.toggle("large");
  size();
  tools();
}

const keyOf = (part) => (part.dataset.stream !== undefined ? `s ${part.dataset.stream}` : `n ${part.dataset.node}`);

/** One element for each stream and node: the first that names it. */
function parts() {
  const seen = new Set();
  return [...place.sheet.querySelectorAll("[data-stream], [data-node]")].filter((part) => {
    const fresh = !seen.has(keyOf(part));
    seen.add(keyOf(part));
    return fresh;
  });
}

function show() {
  for (const part of place.sheet.querySelectorAll("[data-stream], [data-node]")) {
    const is = store.chosen && (part.dataset.stream !== undefined ? part.dataset.stream === store.chosen.stream
      : part.dataset.node === store.chosen.node);
    part.classList.toggle("chosen", Boolean(is));
    part.setAttribute("aria-pressed", String(Boolean(is)));
    const { stream, node } = part.dataset;
    part.classList.toggle("faulty", (stream !== undefined ? faultsOf("stream", stream) : faultsOf("node", node)).length > 0);
  }
}

function key(event) {
  const all = parts();
  const at = all.indexOf(event.target.closest("[data-stream], [data-node]"));
  const to = { ArrowRight: at + 1, ArrowDown: at + 1, ArrowLeft: at - 1, ArrowUp: at - 1, Home: 0, End: all.length - 1 }[event.key];
  if (at >= 0 && to !== undefined) {
    event.preventDefault();
    const next = all[(to + all.length) % all.length];
    all[at].setAttribute("tabindex", "-1");
    next.setAttribute("tabindex", "0");
    next.focus();
  } else if (event.key === "Enter" || event.key === " ") {
    event.preventDefault();
    picked(all[at]);
    if (!asking && event.key === "Enter" && store.chosen) focusRow(store.chosen);
  } else if (event.key === "Delete" && at >= 0) {
    event.preventDefault();
    picked(all[at]);
    remove();
  } else if (event.key === "Escape" && asking) stop();
}

function picked(part) {
  if (!part) return;
  if (asking) {
    if (part.dataset.node !== undefined) take(part.dataset.node);
    else tell("Pick a node, or outside.");
    return;
  }
  choose(part.dataset.stream !== undefined ? { stream: part.dataset.stream } : { node: part.dataset.node });
}

// Connecting

function begin(stream) {
  asking = { stream, ends: [] };
  tools();
  place.tools.querySelector("button")?.focus();
}

function stop() {
  asking = null;
  tools();
  place.tools.querySelector("button")?.focus();
}

async function take(node) {
  asking.ends.push(node);
  if (asking.ends.length < 2) { tools(); return; }
  const { stream, ends: [from, to] } = asking;
  asking = null;
  tools();
  if (stream !== null) {
    await edit([{ op: "connect", name: stream, from, to }], `'${stream}' connected anew`);
    choose({ stream });
    return;
  }
  const name = await askText("A new stream", "Its name", "", `From ${from ?? "outside"} to ${to ?? "outside"}.`);
  if (name && await edit(addition({ op: "add stream", name, from, to }), `'${name}' added`)) choose({ stream: name });
}

async function newNode() {
  const name = await askText("A new node", "Its name");
  if (name && asking) take(name);
}

async function remove() {
  const { stream, node } = store.chosen ?? {};
  if (stream !== undefined) await edit([{ op: "delete stream", name: stream }], `'${stream}' deleted`);
  else if (node !== undefined) await edit([{ op: "delete node", name: node }], `'${node}' deleted`);
  choose(null);
}

async function rename() {
  const { stream, node } = store.chosen;
  const old = stream ?? node;
  const name = await askText("Another name", `Instead of '${old}'`, old, "It is changed in all tables.");
  if (!name || name === old) return;
  const op = stream !== undefined ? "rename stream" : "rename node";
  if (await edit([{ op, name: old, to_name: name }], `'${old}' renamed`)) {
    choose(stream !== undefined ? { stream: name } : { node: name });
  }
}

function tools() {
  if (!store.doc) return;
  const held = place.tools.contains(document.activeElement) ? document.activeElement.textContent : null;
  const { stream, node } = store.chosen ?? {};
  const name = stream ?? node;
  const fixed = Boolean(store.doc.readonly);
  if (asking) {
    const which = asking.ends.length ? "Where does it go to" : "Where does it come from";
    place.mode.textContent = `${asking.stream !== null ? `'${asking.stream}': ` : ""}${which}? Pick a node in the drawing, or:`;
    place.tools.replaceChildren(button("Outside", () => take(null)),
      ...store.now.circuit.nodes.slice(0, 12).map((each) => button(each.name, () => take(each.name), { dir: "auto", class: "name" })),
      button("A new node …", newNode), button("Cancel", stop));
  } else {
    place.mode.textContent = "";
    place.tools.replaceChildren(...[button("Draw a stream", () => begin(null), { disabled: fixed }),
      isLarge() ? null : button("Whole", () => { place.whole = !place.whole; size(); tools(); },
        { "aria-pressed": String(Boolean(place.whole)), title: "The whole drawing, however small" }),
      button("Large", enlarge, { "aria-pressed": String(isLarge()), title: "As large as the window; Escape makes it small again" }),
      ...(name === undefined ? [el("span", { class: "hint" }, "Pick out a stream or a node to change it.")] : [el("span", { class: "picked", dir: "auto" }, name),
        ...(stream === undefined ? [] : [button("Connect anew", () => begin(stream), { disabled: fixed })]),
        button("Rename", rename, { disabled: fixed }), button("Delete", remove, { disabled: fixed })])].filter(Boolean));
  }
  if (held) [...place.tools.querySelectorAll("button")].find((b) => b.textContent === held)?.focus();
}
