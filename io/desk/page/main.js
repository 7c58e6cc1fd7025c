// The page as a whole: what stands where, and the keys that work everywhere.
import { makeAnswer } from "./answer.js";
import { makeAsking } from "./asking.js";
import { makeCircuit } from "./circuit.js";
import { toCampaign } from "./campaign.js";
import { ask, byId, tell, warn } from "./dom.js";
import { makeDrawing } from "./drawing.js";
import { makeFiles, save } from "./files.js";
import { openMake } from "./make.js";
import { manualLink, openManual } from "./manual.js";
import { makeNumbers } from "./table/numbers.js";
import { begin as openFirst, leave, remember, showPage } from "./start.js";
import { on, redo, store, undo } from "./store.js";

const PARTS = ["circuit", "drawing", "numbers", "answer"];
const SAID = { circuit: "describing the circuit", drawing: "this page", numbers: "what may stand in a cell",
  answer: "reading a balance" };

function back() {
  if (document.activeElement?.matches("textarea.text")) document.activeElement.dispatchEvent(new Event("change"));
  const said = undo();
  if (said !== null) tell(said ? `Undone: ${said}.` : "Undone.");
}

function again() {
  const said = redo();
  if (said !== null) tell(said ? `Done again: ${said}.` : "Done again.");
}

function head() {
  const { doc, past, future, now } = store;
  byId("title").textContent = now.circuit.title || doc.title || doc.name;
  byId("path").textContent = doc.path;
  document.title = `${now.circuit.title || doc.name} – oretally desk`;
  byId("undo").disabled = !past.length;
  byId("undo").title = past.length ? `Undo: ${now.said} (Ctrl+Z)` : "";
  byId("redo").disabled = !future.length;
  byId("redo").title = future.length ? `Again: ${future.at(-1).said} (Ctrl+Y)` : "";
  byId("make").disabled = false;
}

function fold() {
  const folded = byId("desk").classList.toggle("folded");
  byId("fold").textContent = folded ? "Unfold" : "Fold";
  byId("fold").setAttribute("aria-expanded", String(!folded));
}

function keys() {
  return ask("Keys", [
    "F1 opens the manual at what you are at work on, in another tab; so does each ? beside a heading or a problem.",
    "Ctrl+Z undo, Ctrl+Y or Shift+Ctrl+Z again, Ctrl+S save.",
    "F6 to the next part of the page, Shift+F6 to the one before.",
    "In a table: arrows move, with Shift they pick out, with Ctrl to the end. Type to write, F2 or Enter to change, Enter down, Tab to the right, Delete empties. Escape, then Tab, leaves the table.",
    "In the drawing: arrows move from stream to stream, Enter goes to its row, Delete deletes it.",
    "In the circuit: Enter in the last row adds the stream.",
  ], [{ label: "Close", value: true }]);
}

function nextPart(step) {
  const at = PARTS.findIndex((id) => byId(id).contains(document.activeElement));
  const to = byId(PARTS[(at + step + PARTS.length) % PARTS.length] ?? PARTS[0]);
  const inside = ["td[tabindex='0']", "textarea:not([hidden])", "input", "[data-stream][tabindex='0']", "button"]
    .flatMap((what) => [...to.querySelectorAll(what)]).find((each) => each.getClientRects().length);
  (to.id === "answer" ? to : inside ?? to).focus();
}

function key(event) {
  if (event.key === "F1") { event.preventDefault(); openManual(); return; }
  if (!store.doc || byId("desk").hidden || document.querySelector("dialog[open]")) return;
  const command = event.ctrlKey || event.metaKey;
  const letter = event.key.toLowerCase();
  const { activeElement } = document;
  // what is being typed in a field is taken back by the field itself
  const typing = activeElement?.matches("input[type=text]")
    && activeElement.value !== (activeElement.dataset.was ?? activeElement.value);
  if (command && letter === "s") { event.preventDefault(); leaveField(); save(); }
  else if (command && (letter === "z" || letter === "y") && !typing && !activeElement?.matches(".editor")) {
    event.preventDefault();
    if (letter === "y" || event.shiftKey) again();
    else back();
  } else if (event.key === "F6") { event.preventDefault(); nextPart(event.shiftKey ? -1 : 1); }
}

/** What is typed in a field counts once it is left. */
function leaveField() {
  const held = document.activeElement;
  if (!held?.matches("input, textarea")) return;
  held.blur();
  if (held.isConnected && !held.matches(".editor")) held.focus();
}

async function begin() {
  makeCircuit();
  makeDrawing();
  makeNumbers();
  makeAnswer();
  makeAsking();
  makeFiles();
  on("opened", () => { showPage("desk"); head(); remember(store.doc.survey ?? { case: store.doc.path }); });
  for (const event of ["changed", "circuit"]) on(event, head);
  document.addEventListener("keydown", key);
  for (const [id, said] of Object.entries(SAID)) byId(`${id}-title`).after(" ", manualLink(id, said));
  for (const [id, run] of Object.entries({ undo: back, redo: again, save, make: openMake, cases: leave, back: () => toCampaign(store.doc.survey), help: keys, fold })) {
    byId(id).addEventListener("click", run);
  }
  window.addEventListener("unhandledrejection", (event) => warn("trouble", `A mistake of ours: ${event.reason?.message ?? event.reason}`));
  window.addEventListener("error", (event) => warn("trouble", `A mistake of ours: ${event.message}`));
  await openFirst();
  document.documentElement.dataset.ready = "true";
  performance.mark("usable");
}

begin();
