// Changes of the circuit: the server makes them, so that comments and order of the file stay.
import { Refused, post } from "./api.js";
import { showFaults } from "./dom.js";
import { commit, currentParts, store } from "./store.js";

let line = Promise.resolve();

/** Make these edits as one step that undo takes back; true once done. */
export function edit(edits, said, where = null) {
  const done = line.then(() => make(edits, said, where));
  line = done.catch(() => false);
  return done;
}

async function make(edits, said, where) {
  for (;;) {
    const parts = currentParts();
    const before = store.now.parts;
    try {
      const answer = await post("edit", { case: store.doc.case, parts, edits });
      if (store.now.parts !== before) continue; // something was typed meanwhile
      commit({ parts: answer.parts, circuit: answer.circuit }, said, where);
      return true;
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      await showFaults("This cannot be done", error.faults);
      return false;
    }
  }
}

/** Write a what-if into the case itself. */
export function take(item, whatif, said) {
  const done = line.then(async () => {
    try {
      const answer = await post("take", { case: store.doc.case, parts: currentParts(), whatif: item });
      commit({ parts: answer.parts, circuit: answer.circuit ?? store.now.circuit, whatif }, said);
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      await showFaults("This cannot be written into the case", error.faults);
    }
  });
  line = done.catch(() => false);
  return done;
}
