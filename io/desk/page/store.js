// The document as it stands, its past and future, and what is being typed.
// A snapshot is never changed: {parts, whatif, circuit, said, where}.

const listeners = new Map();

export function on(event, heard) {
  if (!listeners.has(event)) listeners.set(event, []);
  listeners.get(event).push(heard);
}

export function emit(event, ...values) {
  for (const heard of listeners.get(event) ?? []) heard(...values);
}

export const NO_WHATIF = Object.freeze({ without: [], with: [] });

export const store = {
  doc: null, // {case, name, title, path, kind, digests, readonly}
  now: null,
  past: [],
  future: [],
  draft: null, // {part, row, column, text}: a cell or (row null) a text being typed
  saved: null, // parts as they are on disk
  answer: null,
  answered: null, // the parts the answer is of
  chosen: null, // {stream} or {node}: what is picked out in drawing and tables
};

export function opened(document) {
  const { parts, circuit, recovered, ...doc } = document;
  Object.assign(store, {
    doc, past: [], future: [], draft: null, saved: parts, answer: null, chosen: null,
    now: { parts, whatif: NO_WHATIF, circuit, said: "", where: null },
  });
  emit("opened", recovered);
}

/** A new snapshot; what is given replaces what was. */
export function commit(change, said, where = null) {
  store.past.push(store.now);
  store.future = [];
  store.now = { ...store.now, ...change, said, where };
  emit("changed", where);
}

/** The same snapshot with another circuit table: it follows from the parts, it is no change. */
export function circuitRead(circuit) {
  store.now = { ...store.now, circuit };
  emit("circuit");
}

export function undo() {
  if (!store.past.length) return null;
  const undone = store.now;
  store.future.push(undone);
  store.now = store.past.pop();
  store.draft = null;
  emit("changed", undone.where);
  return undone.said;
}

export function redo() {
  if (!store.future.length) return null;
  store.past.push(store.now);
  store.now = store.future.pop();
  store.draft = null;
  emit("changed", store.now.where);
  return store.now.said;
}

export function setDraft(draft) {
  store.draft = draft;
  emit("draft");
}

/** Rows with one cell set; rows and cells in between are made. */
export function withCell(rows, row, column, text) {
  const next = rows.slice();
  while (next.length <= row) next.push([]);
  const cells = next[row].slice();
  while (cells.length <= column) cells.push("");
  cells[column] = text;
  next[row] = cells;
  return next;
}

/** The parts with what is being typed. */
export function currentParts() {
  const { now, draft } = store;
  if (!draft || !(draft.part in now.parts)) return now.parts;
  const part = draft.row === null ? draft.text
    : withCell(now.parts[draft.part], draft.row, draft.column, draft.text);
  return { ...now.parts, [draft.part]: part };
}

/** Whether something stands here that does not stand on disk. */
export function unsaved() {
  if (!store.now) return false;
  const parts = currentParts();
  if (parts === store.saved) return false;
  const names = new Set([...Object.keys(parts), ...Object.keys(store.saved)]);
  return [...names].some((name) => parts[name] !== store.saved[name]
    && JSON.stringify(parts[name]) !== JSON.stringify(store.saved[name]));
}

export function choose(chosen) {
  store.chosen = chosen;
  emit("chosen");
}
