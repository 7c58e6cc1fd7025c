// Saving, and never writing over what somebody else wrote; what is typed is kept each second.
import { Gone, Refused, post } from "./api.js";
import { gone, WINDOW } from "./asking.js";
import { ask, askText, byId, showFaults, tell, unwarn, warn } from "./dom.js";
import { commit, currentParts, NO_WHATIF, on, opened, store, unsaved } from "./store.js";

const KEEP_EVERY = 700; // ms
const LOOK_EVERY = 2000; // ms

let keepTimer = 0;
let saving = null;
let keeping = null; // what a save waits for, or its recovery file would outlast it
let kept = false; // whether something stands in the recovery file

export function makeFiles() {
  on("opened", (recovered) => {
    kept = false;
    unwarn("changed");
    unwarn("windows");
    unwarn("readonly");
    if (store.doc.readonly) warn("readonly", store.doc.readonly, { label: "Save as …", run: saveAs });
    if (recovered) offer(recovered);
    look();
  });
  for (const event of ["opened", "changed", "draft", "saved"]) on(event, () => { mark(); keepSoon(); });
  setInterval(look, LOOK_EVERY);
  window.addEventListener("beforeunload", (event) => { if (unsaved()) event.preventDefault(); });
}

function mark() {
  const is = unsaved();
  byId("saved").textContent = store.doc.readonly ? "read only" : is ? "not saved" : "saved";
  byId("saved").dataset.unsaved = String(is);
  byId("save").disabled = Boolean(store.doc.readonly);
}

// Keeping

function keepSoon() {
  if (!keepTimer && (kept || unsaved())) keepTimer = setTimeout(keep, KEEP_EVERY);
}

async function keep() {
  keepTimer = 0;
  if (!store.doc || saving) return;
  const { case: id } = store.doc;
  try {
    if (unsaved()) {
      kept = true;
      keeping = post("keep", { case: id, parts: currentParts(), whatif: store.now.whatif });
      await keeping;
    } else if (kept) {
      kept = false;
      await post("forget", { case: id });
    }
  } catch (error) {
    if (error instanceof Gone) { gone(); keepSoon(); }
    else if (error instanceof Refused) warn("keep", `What you type is not kept: ${error.message} Save it now and then.`);
    else throw error;
  }
}

async function offer(recovered) {
  const when = new Date(recovered.when);
  const said = Number.isNaN(when.valueOf()) ? String(recovered.when) : when.toLocaleString();
  const taken = await ask("Something was not saved", [
    `On ${said} this was typed and not saved. The files are as they were.`,
    ...(recovered.changed?.length ? [`But since then ${recovered.changed.join(", ")} changed on disk: what you take up and save goes over that.`] : [])], [
    { label: "Take it up again", value: true }, { label: "Throw it away", value: false }]);
  if (taken) commit({ parts: recovered.parts, whatif: recovered.whatif ?? NO_WHATIF }, "taken up again");
  else if (taken === false) await post("forget", { case: store.doc.case });
}

// Saving

export function save() {
  saving ??= saveNow(false).finally(() => { saving = null; });
  return saving;
}

async function saveNow(force) {
  if (!store.doc || store.doc.readonly) return;
  await Promise.allSettled([keeping]);
  const parts = currentParts();
  try {
    const answer = await post("save", { case: store.doc.case, parts, digests: store.doc.digests, force });
    store.doc.digests = answer.digests;
    store.saved = parts;
    kept = false;
    unwarn("changed");
    mark();
    tell(answer.saved?.length ? `Saved: ${answer.saved.join(", ")}.` : "Saved; nothing had changed.");
  } catch (error) {
    if (error instanceof Gone) gone();
    else if (error instanceof Refused && error.status === 409) await conflict(error.body);
    else if (error instanceof Refused) await showFaults("It cannot be saved", error.faults);
    else throw error;
  }
}

async function conflict({ changed, theirs }) {
  const choice = await ask("Changed on disk meanwhile", [
    `${changed.join(", ")} ${changed.length === 1 ? "was" : "were"} changed by another program or window since you opened the case. Nothing has been written.`], [
    { label: "Save as another case …", value: "as" },
    { label: "Take theirs (Ctrl+Z brings mine back)", value: "theirs" },
    { label: "Keep mine, write over theirs", value: "mine" },
    { label: "Decide later", value: null }]);
  if (choice === "mine") await saveNow(true);
  else if (choice === "as") await saveAs();
  else if (choice === "theirs") await takeTheirs(theirs);
}

async function takeTheirs(theirs) {
  const fresh = await post("open", { path: store.doc.path });
  store.doc.digests = fresh.digests;
  store.saved = fresh.parts ?? theirs;
  commit({ parts: fresh.parts ?? theirs, circuit: fresh.circuit ?? store.now.circuit }, "what was on disk taken");
  tell("Theirs stands here now. Ctrl+Z brings yours back.");
  unwarn("changed");
}

export async function saveAs() {
  const book = store.doc.kind === "workbook";
  const [, stem, ending] = /^(.*?)(\.[^.]*)?$/.exec(store.doc.name);
  const name = book ? `${stem} copy${store.doc.readonly ? ".xlsx" : ending}` : `${store.doc.name}_copy`;
  const as = await askText("Save as another case", `Name of the ${book ? "workbook" : "folder"}`, name, "Never over one that is there.");
  if (!as) return;
  try {
    opened(await post("save", { case: store.doc.case, parts: currentParts(), digests: store.doc.digests, as }));
    tell(`Saved as ${store.doc.path}.`);
  } catch (error) {
    if (error instanceof Gone) gone();
    else if (error instanceof Refused) await showFaults("It cannot be saved", error.faults);
    else throw error;
  }
}

// Others

async function look() {
  if (!store.doc || saving || byId("desk").hidden || document.visibilityState === "hidden") return;
  const { case: id, digests } = store.doc;
  try {
    const state = await post("state", { case: id, window: WINDOW, digests });
    unwarn("gone");
    if (id !== store.doc.case || digests !== store.doc.digests) return;
    if (state.changed?.length) {
      warn("changed", `Changed on disk: ${state.changed.join(", ")}.`,
        { label: "Choose", run: () => conflict({ changed: state.changed, theirs: null }) });
    } else unwarn("changed");
    if (state.windows > 0) warn("windows", "This case is open in another window too. Type in one of them only: the second to save is asked.");
    else unwarn("windows");
  } catch (error) {
    if (error instanceof Gone) gone();
    else if (!(error instanceof Refused)) throw error;
  }
}
