// Elements, dialogs and short messages. Text always goes in as text, never as markup.

export const byId = (id) => document.getElementById(id);

/** An element: `el("p", {class: "x", onclick: f}, "text", child)`. */
export function el(tag, props = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name === "value" || name === "checked" || name === "disabled") made[name] = value;
    else made.setAttribute(name, value === true ? "" : value);
  }
  made.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined)
    .map((child) => (typeof child === "string" ? inItsPlace(child) : child)));
  return made;
}

/** Words without the characters that would turn round what stands after them. */
export const inItsPlace = (text) => text.replace(/[\u202a-\u202e\u2066-\u2069]/g, "\ufffd");

export const button = (label, onclick, props = {}) =>
  el("button", { type: "button", onclick, ...props }, label);

/** A labelled field: the label stands before it, or is for screen readers only. */
export function field(label, input, hidden = false) {
  return el("label", { class: hidden ? "field only-read" : "field" }, el("span", {}, label), input);
}

/** A message at the foot of the page, read aloud as well. */
let toldTimer = 0;
export function tell(text, action = null) {
  const place = byId("told");
  clearTimeout(toldTimer);
  place.replaceChildren(text, ...(action ? [" ", button(action.label, action.run)] : []));
  place.classList.add("shown");
  toldTimer = setTimeout(() => place.classList.remove("shown"), action ? 15000 : 7000);
}

/** A warning at the top that stays until `unwarn` takes it away, by its key. */
export function warn(key, text, ...actions) {
  unwarn(key);
  byId("warnings").append(
    el("div", { class: "warning", "data-key": key }, el("p", {}, text),
      actions.map((action) => button(action.label, action.run))),
  );
}

export function unwarn(key) {
  for (const old of byId("warnings").children) if (old.dataset.key === key) old.remove();
}

/** Open a dialog with this content; it is gone once closed, and focus returns. */
export function openDialog(title, ...content) {
  const before = document.activeElement;
  const heading = el("h2", { id: "dialog-title" }, title);
  const dialog = el("dialog", { "aria-labelledby": "dialog-title" }, heading, content);
  dialog.addEventListener("close", () => {
    dialog.remove();
    if (before?.isConnected) before.focus();
  });
  document.body.append(dialog);
  dialog.showModal();
  return dialog;
}

/** Ask with several answers; resolves to the value of the one taken, null if closed. */
export function ask(title, paragraphs, choices) {
  return new Promise((resolve) => {
    let taken = null;
    const dialog = openDialog(title, paragraphs.map((text) => el("p", {}, text)),
      el("p", { class: "choices" }, choices.map(({ label, value }) =>
        button(label, () => { taken = value; dialog.close(); }))));
    dialog.addEventListener("close", () => resolve(taken));
  });
}

/** Ask for one line of text; resolves to it, null if closed. */
export function askText(title, label, value = "", note = "", options = []) {
  return new Promise((resolve) => {
    let taken = null;
    const list = el("datalist", { id: "ask-options" }, options.map((o) => el("option", { value: o })));
    const input = el("input", { type: "text", value, list: options.length ? "ask-options" : null,
      autocomplete: "off", dir: "auto" });
    const form = el("form", { method: "dialog", onsubmit: () => { taken = input.value.trim(); } },
      field(label, input), list, note ? el("p", { class: "hint" }, note) : null,
      el("p", { class: "choices" }, el("button", { type: "submit" }, "Do it"),
        button("Cancel", () => dialog.close())));
    const dialog = openDialog(title, form);
    input.select();
    dialog.addEventListener("close", () => resolve(taken || null));
  });
}

/** The words of faults, as one dialog. */
export function showFaults(title, faults) {
  return ask(title, faults.map(faultText), [{ label: "Close", value: true }]);
}

export const faultText = (fault) => [fault.problem, fault.mend].filter(Boolean).join(" ");
