// A campaign: its surveys as they are balanced, what changes over time, what is off in all of them.
// Nothing is written to it here.
import { Gone, Refused, post, stream } from "./api.js";
import { SIGNS, table, unfolding } from "./answer.js";
import { WINDOW } from "./asking.js";
import { button, byId, el, faultText, showFaults, warn } from "./dom.js";
import { manualLink } from "./manual.js";
import { remember, showPage } from "./start.js";
import { opened } from "./store.js";

const AT_ONCE = 100; // surveys that are balanced unasked, the newest first

const VIEWS = {
  trend: { title: "What has changed", about: "what has changed over time", charts: "Answer" },
  bias: { title: "What is off in survey after survey", about: "errors that stay", charts: "Cumulative sum of" },
};

let control = new AbortController();
let path = null;
let rows = [];
let most = AT_ONCE;
const judged = new Map(); // what a survey comes to, by all that it hangs on
const views = new Map(); // and what is told of all surveys
const place = {};

/** Show a campaign by the path of its file. */
export async function showCampaign(file) {
  stopCampaign();
  control = new AbortController();
  path = file;
  showPage("campaign");
  remember({ case: file });
  byId("title").textContent = byId("path").textContent = file;
  byId("campaign").replaceChildren(el("p", { class: "hint" }, "Reading …"));
  const found = await asked("list", {}, () => {});
  if (!found) return;
  rows = found.rows;
  most = AT_ONCE;
  byId("title").textContent = found.title;
  document.title = `${found.title} – oretally desk`;
  place.body = el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Table of the surveys" });
  place.working = el("p", { class: "hint", "aria-hidden": "true" });
  place.more = el("p", { class: "choices" });
  byId("campaign").replaceChildren(
    el("section", { id: "surveys", "data-manual": "surveys", "aria-labelledby": "surveys-title", "aria-busy": "true" },
      el("h2", {}, el("span", { id: "surveys-title" }, "Surveys"), " ", manualLink("surveys", "many surveys")),
      place.body, place.working, place.more,
      el("p", { class: "hint" }, "A name opens the survey as it counts here, to be read. Decisions are taken, with their reason, by: ",
        el("code", {}, `oretally campaign ${file} decide`), ".")),
    ...Object.entries(VIEWS).map(([view, { title, about }]) => el("section", { id: view, "data-manual": view, "aria-labelledby": `${view}-title` },
      el("h2", {}, el("span", { id: `${view}-title` }, title), " ", manualLink(view, about)), el("div", {}, el("p", { class: "hint" }, "Reading …")))));
  drawSurveys();
  place.body.scrollTop = place.body.scrollHeight; // the newest
  byId("campaign").focus();
  await Promise.all([judge(), ...Object.keys(VIEWS).map(look)]);
}

/** Ask for nothing more, as when another page is shown. */
export const stopCampaign = () => control.abort();

/** Back to the campaign that the survey shown is of. */
export const toCampaign = (survey) => showCampaign(survey.campaign);

/** A view of the campaign; null if there is none, or nobody waits for it any more. */
async function asked(view, more, each) {
  const { signal } = control;
  let seen = null;
  let faults = [];
  try {
    await stream("campaign", { campaign: path, view, window: WINDOW, ...more }, signal, (line) => {
      if (signal.aborted) return;
      if (line.stage) each(line);
      if (line.seen) ({ seen } = line);
      if (line.faults) ({ faults } = line);
      if (line.bug) faults = [{ problem: `A mistake of ours: ${line.bug}` }];
    });
  } catch (error) {
    if (signal.aborted || error.name === "AbortError") return null;
    if (error instanceof Gone) warn("gone", "The desk has stopped on this machine. Start it again with: oretally desk");
    else if (error instanceof Refused) ({ faults } = error);
    else throw error;
  }
  if (signal.aborted || seen) return seen;
  const told = faults.map((fault) => el("p", { class: "refusal" }, faultText(fault)));
  if (view in VIEWS) byId(view).lastChild.replaceChildren(...told);
  else if (view === "list") byId("campaign").replaceChildren(...told);
  else place.more.replaceChildren(...told);
  return null;
}

// Surveys

async function judge() {
  const wanted = rows.slice(-most).filter((row) => !judged.has(keyOf(row)));
  const labels = wanted.map((row) => row.label).reverse();
  place.more.replaceChildren();
  if (labels.length) {
    byId("surveys").setAttribute("aria-busy", "true");
    const found = await asked("surveys", { labels }, ({ stage, row }) => {
      if (!row) { place.working.textContent = `${stage} …`; return; }
      judged.set(keyOf(rows.find((each) => each.label === row.label)), row);
      drawSurveys();
    });
    if (!found) return;
  }
  place.working.textContent = "";
  byId("surveys").setAttribute("aria-busy", "false");
  const left = rows.slice(0, -most).filter((row) => !judged.has(keyOf(row))).length;
  if (left) place.more.replaceChildren(button(`Balance ${Math.min(left, AT_ONCE)} of the ${left} before these`, () => { most += AT_ONCE; judge(); }));
}

const keyOf = (row) => `${path} ${row.label} ${row.key}`;

function drawSurveys() {
  const held = place.body.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  const answers = rows.map((row) => judged.get(keyOf(row)));
  const kinds = rows.some((row) => row.kind);
  const decided = rows.some((row) => row.decided.length || row.standing);
  const recovered = [...new Set(answers.flatMap((answer) => answer?.recovered.map((each) => each.of) ?? []))];
  const heads = [["Survey"], ["Time"], kinds ? ["Kind"] : null, ["How it stands"], ...recovered.map((of) => [of, ""]),
    ["First suspect, or what is wrong"], decided ? ["Decided"] : null].filter(Boolean);
  const { scrollTop } = place.body;
  place.body.replaceChildren(el("table", { class: "answer-table surveys" },
    el("caption", { class: "only-read" }, "Surveys in the order of time"),
    el("thead", {}, el("tr", {}, heads.map(([name, kind = "word"]) => el("th", { scope: "col", class: kind }, name)))),
    el("tbody", {}, rows.map((row, at) => surveyRow(row, answers[at], { kinds, recovered, decided })))));
  place.body.scrollTop = scrollTop;
  if (held) place.body.querySelector(`[data-key="${CSS.escape(held)}"]`)?.focus({ preventScroll: true });
}

function surveyRow(row, answer, { kinds, recovered, decided }) {
  const figure = (of) => answer?.recovered.find((each) => each.of === of)?.figure ?? "";
  return el("tr", {},
    el("th", { scope: "row", dir: "auto" }, button(row.label, () => openSurvey(row.label), { class: "small", "data-key": row.label })),
    el("td", { class: "when" }, (row.time || "not said").split(" ").flatMap((part) => [el("span", {}, part), " "])),
    kinds ? el("td", { class: "word" }, row.kind) : null,
    el("td", { class: "word" }, answer ? el("span", { class: "stands", "data-level": answer.level },
      el("span", { "aria-hidden": "true" }, `${SIGNS[answer.level]} `), answer.brief) : "…"),
    recovered.map((of) => el("td", {}, figure(of), figure(of) && answer.yet ? [el("br"), el("span", { class: "hint" }, answer.yet)] : null)),
    el("td", { class: "word long", dir: "auto" }, answer?.why ?? ""),
    decided ? el("td", { class: "word long", dir: "auto" }, [row.standing, ...row.decided].filter(Boolean).map((text) => el("p", {}, text))) : null);
}

async function openSurvey(label) {
  await takeOut({ campaign: path, label });
}

/** Open a survey of a campaign as a case that is read. */
export async function takeOut(survey) {
  stopCampaign();
  try {
    opened(await post("survey", survey));
    byId("answer").focus();
  } catch (error) {
    if (error instanceof Gone) warn("gone", "The desk has stopped on this machine. Start it again with: oretally desk");
    else if (error instanceof Refused) await showFaults("This survey cannot be opened", error.faults);
    else throw error;
    await showCampaign(survey.campaign);
  }
}

// Over time

async function look(view) {
  const within = byId(view);
  within.setAttribute("aria-busy", "true");
  const key = [path, view, ...rows.map((row) => row.key)].join("\n");
  const found = views.get(key)
    ?? await asked(view, {}, ({ stage }) => within.lastChild.replaceChildren(el("p", { class: "hint" }, `${stage} …`)));
  if (!within.isConnected) return;
  within.setAttribute("aria-busy", "false");
  if (!found) return;
  views.set(key, found);
  const items = [...found.told, ...found.notes];
  within.lastChild.replaceChildren(...[
    ...found.lead.map((text) => el("p", { class: "lead-line" }, text)),
    items.length ? el("ul", {}, items.map((text) => el("li", {}, text))) : null,
    found.charts.length ? charts(view, found.charts) : null,
    unfolding(`${view} figures`, "All figures", () => [...found.tables.flatMap((each) => [el("h3", {}, each.caption), table(each.caption, each),
      ...[...each.below, ...each.legend].map((text) => el("p", { class: "hint" }, text))]), ...found.closing.map((text) => el("p", { class: "hint" }, text))]),
  ].filter(Boolean));
}

/** One chart at a time: what has changed comes first, and says so. */
function charts(view, found) {
  const order = [...found].sort((one, other) => Number(other.standsOut) - Number(one.standsOut));
  const shown = el("figure", { class: "chart" });
  const draw = (at) => {
    const { svg, caption, said } = order[at];
    const parsed = document.importNode(new DOMParser().parseFromString(svg, "image/svg+xml").documentElement, true);
    shown.replaceChildren(said ? el("p", {}, said) : "", el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Chart" }, parsed),
      el("figcaption", { class: "hint" }, caption));
  };
  const select = el("select", { onchange: (event) => draw(Number(event.target.value)) },
    order.map((each, at) => el("option", { value: at }, each.name, each.standsOut ? (view === "trend" ? " – changed" : " – off") : "")));
  draw(0);
  return el("div", {}, el("label", { class: "field" }, el("span", {}, VIEWS[view].charts), select), shown);
}
