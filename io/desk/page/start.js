// Where a case comes from: a template, an example, a recent one, a path.
import { Gone, Refused, post } from "./api.js";
import { button, byId, el, field, askText, showFaults, unwarn, warn } from "./dom.js";
import { showCampaign, stopCampaign, takeOut } from "./campaign.js";
import { kindLink, manualLink } from "./manual.js";
import { opened, store, unsaved } from "./store.js";
import { ask } from "./dom.js";

const MOST_HERE = 12; // cases of the folder that are listed

/** Show the start page. */
export async function showStart(known = null) {
  const said = known ?? await post("start", { path: "" });
  const path = el("input", { type: "text", autocomplete: "off", spellcheck: "false", placeholder: "my_case, or results.xlsx" });
  const name = (text) => text.toLowerCase().replace(/[^a-z0-9]+/g, "_").replace(/^_|_$/g, "");
  const cards = (kinds, own) => el("ul", { class: "cards" }, kinds.map((kind) => el("li", {},
    button(kind.title || kind.name, () => create(kind.name, own ? "my_test" : name(kind.name)),
      { "data-key": `begin ${kind.name}` }),
    el("p", { class: "hint" }, kind.text || kind.name.replaceAll("_", " "), " ", kindLink(kind.title)))));
  const here = said.cases.filter((one) => !said.recent.some((recent) => recent.path.replaceAll("\\", "/").endsWith(`/${one.path}`)));
  const start = byId("start");
  start.replaceChildren(...[
    el("p", { class: "lead" }, "Describe the circuit once, type or paste the numbers, see the balance at once."),
    el("section", { "aria-labelledby": "new-title" }, el("h2", { id: "new-title" }, "New case ", manualLink("new case", "starting a case")), cards(said.templates, true)),
    said.recent.length ? el("section", { "aria-labelledby": "recent-title" }, el("h2", { id: "recent-title" }, "Recent cases"),
      el("ul", { class: "cards" }, said.recent.map((recent) => el("li", {},
        button(recent.title || recent.path, () => open({ recent: recent.path })),
        el("p", { class: "hint" }, [recent.path, recent.when].filter(Boolean).join(" · ")))))) : null,
    el("section", { "aria-labelledby": "open-title" }, el("h2", { id: "open-title" }, "Open a case, or a campaign"),
      el("form", { class: "form", onsubmit: (event) => { event.preventDefault(); open({ path: path.value.trim() }); } },
        field(`Folder, workbook or campaign in ${said.root}`, path), el("button", { type: "submit" }, "Open")),
      here.length ? el("ul", { class: "cards" }, here.slice(0, MOST_HERE).map((one) => el("li", {},
        button(one.path, () => open({ path: one.path }), { dir: "auto" }), el("p", { class: "hint" }, one.kind)))) : null,
      here.length > MOST_HERE ? el("p", { class: "hint" }, `${here.length - MOST_HERE} more in this folder: type the name.`) : null),
    el("section", { "aria-labelledby": "example-title" }, el("h2", { id: "example-title" }, "Copy an example ", manualLink("examples", "your first test")), cards(said.examples, false)),
  ].filter(Boolean));
  showPage("start");
  remember({ case: "" });
  start.querySelector("button")?.focus();
}

/** What F5 opens again: {case}, '' for the start page, or a survey, {campaign, label}. */
export const remember = (what) => history.replaceState(null, "", `?${new URLSearchParams(what)}`);

/** Open what was open before F5, else the case that the command named, else the start page. */
export async function begin() {
  const asked = new URLSearchParams(location.search);
  if (asked.has("campaign")) return takeOut({ campaign: asked.get("campaign"), label: asked.get("label") });
  const path = asked.get("case");
  let said;
  try {
    said = await post("start", { path });
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    await showStart();
    return showFaults("This case cannot be opened", error.faults);
  }
  if (said.campaign) return void showCampaign(said.campaign);
  if (said.case) return opened(said.case);
  return showStart(said);
}

export function showPage(which) {
  if (which !== "campaign") stopCampaign();
  if (which !== "desk") for (const about of ["readonly", "windows", "changed"]) unwarn(about);
  byId("campaign").hidden = which !== "campaign";
  byId("back").hidden = which !== "desk" || !store.doc?.survey;
  byId("start").hidden = which !== "start";
  byId("desk").hidden = which !== "desk";
  byId("jumps").hidden = which !== "desk";
  for (const id of ["chip", "undo", "redo", "save", "make"]) byId(id).hidden = which !== "desk";
  byId("cases").hidden = which === "start";
  if (which !== "desk") byId("saved").textContent = "";
  if (which === "start") {
    byId("title").textContent = "oretally desk";
    byId("path").textContent = "";
    document.title = "oretally desk";
  }
}

async function create(from, proposed) {
  const folder = await askText("A new case", "Name of its folder", proposed, "A folder of this name is made beside the others.");
  if (folder) await load("new", { from, folder });
}

const open = (what) => load("open", what);

async function load(route, body) {
  try {
    const found = await post(route, body);
    if (found.campaign) { showCampaign(found.campaign); return; }
    opened(found);
    document.querySelector("#circuit input")?.focus();
  } catch (error) {
    if (error instanceof Gone) warn("gone", "The desk has stopped on this machine. Start it again with: oretally desk");
    else if (error instanceof Refused) await showFaults("This case cannot be opened", error.faults);
    else throw error;
  }
}

/** Back to the start page, after asking if something is not saved. */
export async function leave() {
  if (unsaved()) {
    const sure = await ask("Not saved yet", ["What you typed is kept beside the case and offered when you open it again."],
      [{ label: "Leave it", value: true }, { label: "Stay", value: false }]);
    if (!sure) return;
  }
  await showStart();
}
