// The answer is asked for as one types: the last question counts, an older one is given up.
import { Gone, Refused, stream } from "./api.js";
import { byId, unwarn, warn } from "./dom.js";
import { circuitRead, currentParts, emit, on, store } from "./store.js";

const PAUSE = 80; // ms without a key before asking
const PATIENCE = 350; // ms before it says that it is at work

export const WINDOW = crypto.randomUUID();

let timer = 0;
let patience = 0;
let asked = null;
let number = 0;

export function makeAsking() {
  on("opened", soon);
  on("changed", soon);
  on("draft", soon);
}

function soon() {
  byId("answer").dataset.current = byId("answer").dataset.balanced = "false";
  clearTimeout(timer);
  asked?.abort();
  timer = setTimeout(run, PAUSE);
}

/** Ask again at once, as after the desk was gone. */
export const askAgain = soon;

async function run() {
  timer = 0;
  const control = new AbortController();
  asked = control;
  number += 1;
  const mine = number;
  const { case: id } = store.doc;
  const { whatif } = store.now;
  const parts = currentParts();
  working("reading");
  try {
    await stream("answer", { case: id, window: WINDOW, parts, whatif, number }, control.signal, (line) => {
      if (control.signal.aborted) return;
      if (line.stage) working(line.stage);
      if (line.first && mine === number) takenFirst(line.first);
      if (line.answer) taken(line.answer, parts, mine);
      if (line.bug) trouble(line.bug);
      if (line.faults) trouble(line.faults.map((fault) => fault.problem).join(" "));
    });
    unwarn("gone");
  } catch (error) {
    if (control.signal.aborted || error.name === "AbortError") return;
    if (error instanceof Gone) gone();
    else if (error instanceof Refused) trouble(error.message);
    else throw error;
  }
  if (asked === control) working(null);
}

function taken(answer, parts, mine) {
  if (mine !== number) return;
  unwarn("trouble");
  show(answer, parts);
  byId("answer").dataset.balanced = byId("answer").dataset.current = String(!timer);
}

/** Products and drawing; until it is known what may be wrong, what was said of it before stands. */
function takenFirst(first) {
  const { answer } = store;
  const before = answer && !answer.faults.length && !answer.refused ? answer : {};
  show({ ...before, ...first, first: true }, store.answered);
  byId("answer").dataset.balanced = String(!timer);
}

function show(answer, parts) {
  Object.assign(store, { answer, answered: parts });
  if (answer.circuit && JSON.stringify(answer.circuit) !== JSON.stringify(store.now.circuit)) {
    circuitRead(answer.circuit);
  }
  emit("answer");
}

function working(stage) {
  clearTimeout(patience);
  byId("answer").setAttribute("aria-busy", String(stage !== null));
  const say = () => { byId("working").textContent = stage === null ? "" : `${stage} …`; };
  if (stage === null || byId("working").textContent) say();
  else patience = setTimeout(say, PATIENCE);
}

function trouble(text) {
  warn("trouble", `A mistake of ours, not of your data: ${text}`);
}

export function gone() {
  const name = store.doc?.path ?? "the case";
  warn("gone", `The desk has stopped on this machine. What you typed is kept beside the case: start it again with: oretally desk "${name}"`,
    { label: "Try again", run: soon });
}
