// What can be made of the case: reports, workbooks, drawings, plans; each opens in its own tab.
import { Gone, Refused, post } from "./api.js";
import { gone } from "./asking.js";
import { button, el, field, openDialog } from "./dom.js";
import { faultText } from "./dom.js";
import { manualLink } from "./manual.js";
import { currentParts, store } from "./store.js";

const KINDS = [
  ["Of the balance", [
    ["report", "Report", "one page with everything, to read or print"],
    ["pdf", "PDF", "pages to print"],
    ["workbook", "Workbook", "all tables, for a spreadsheet"],
    ["full text", "Full text", "all that balance --full prints"],
    ["drawing", "Drawing", "the circuit as SVG"],
    ["json", "JSON", "for other programs"]]],
  ["Of the input", [
    ["check", "Check", "what is checked, what cannot be known, what to measure for it"],
    ["lab", "Laboratory", "precision, bias, blanks of the batch in lab.csv"]]],
  ["Before the test", [
    ["sheet", "Sampling form", "to print: what to weigh, what to take, labels"],
    ["sheet workbook", "Entry workbook", "to type into, cells checked"]]],
];

let results = null;

export function openMake() {
  results = el("div", { class: "made", role: "status" });
  const dialog = openDialog("Make", results, manualLink("make", "keeping and showing a balance"),
    drawsForm(),
    KINDS.map(([title, kinds]) => el("section", {}, el("h3", {}, title),
      el("ul", { class: "plain makes" }, kinds.map(([what, label, note]) => el("li", {},
        button(label, () => make(what, label, {})), el("span", { class: "hint" }, note)))))),
    planForm(), compareForm(),
    el("p", { class: "choices" }, button("Close", () => dialog.close())));
  dialog.classList.add("broad");
}

let asked = {};

/** What every balance that is made from here is made with. */
function drawsForm() {
  asked = {};
  const one = (key, label, placeholder) => field(label, el("input", { type: "text", inputmode: "numeric", autocomplete: "off", placeholder,
    "data-key": key, onchange: (event) => { asked[key] = event.target.value.trim(); } }));
  const brief = el("input", { type: "checkbox", onchange: (event) => { asked.brief = event.target.checked; } });
  return el("details", {}, el("summary", {}, "95 % limits, search for a better balance"),
    el("p", { class: "hint" }, "The survey is drawn so many times within its stated errors, and each draw is balanced; it takes a while."),
    el("div", { class: "form" }, one("draws", "Draws", "2000"), one("seed", "Seed of the draws", ""), one("starts", "First guesses to try", ""),
      el("label", { class: "check field-low" }, brief, "PDF: first pages only")));
}

function planForm() {
  const goals = el("input", { type: "text", autocomplete: "off", placeholder: "recovery of Sn to concentrate" });
  const budget = el("input", { type: "text", inputmode: "decimal", autocomplete: "off" });
  const keep = el("input", { type: "checkbox" });
  return form("plan", "Plan: what to measure next", "Make the plan", () => make("plan", "Plan", {
    for: goals.value.split(";").map((goal) => goal.trim()).filter(Boolean),
    budget: budget.value.trim() || null, keep: keep.checked }),
  field("For (several with ;)", goals), field("Budget", budget),
  el("label", { class: "check" }, keep, "what is measured counts, buy only more"));
}

function compareForm() {
  const cases = el("textarea", { rows: 2, spellcheck: "false", placeholder: "folder or workbook, one a line" });
  const common = el("input", { type: "text", autocomplete: "off", placeholder: "assay batch" });
  const numbers = el("input", { type: "text", autocomplete: "off", placeholder: "feed:Pb" });
  const pairs = el("input", { type: "text", autocomplete: "off", placeholder: "conc=concentrate" });
  const answers = el("input", { type: "text", autocomplete: "off", placeholder: "Sn recovery to concentrate" });
  const split = (text, by) => text.split(by).map((each) => each.trim()).filter(Boolean);
  return form("compare", "Compare: is the difference between tests real", "Compare", () => make("compare", "Comparison", {
    others: split(cases.value, "\n"), common: split(common.value, ";"),
    common_measurements: split(numbers.value, ";"), streams: split(pairs.value, ";"),
    answers: split(answers.value, ";") }),
  field("Other cases", cases), field("Sources in common", common), field("Numbers in common", numbers), field("Streams of other names", pairs), field("Only these answers", answers));
}

function form(about, title, label, run, ...fields) {
  return el("section", { "data-manual": about }, el("h3", {}, title, " ", manualLink(about, title.split(":")[0].toLowerCase())), el("form", { class: "form", onsubmit: (event) => {
    event.preventDefault();
    run();
  } }, fields, el("button", { type: "submit" }, label)));
}

async function make(what, label, options) {
  const line = el("p", {}, `${label}: at work …`);
  for (const before of results.querySelectorAll("pre")) before.remove(); // the links to them stay
  results.prepend(line);
  line.scrollIntoView({ block: "nearest" });
  try {
    const made = await post("make", { case: store.doc.case, parts: currentParts(),
      whatif: store.now.whatif, what, options: { ...asked, ...options } });
    const open = el("a", { href: made.url, target: "_blank", rel: "noopener" }, "Open");
    line.replaceChildren(`${label} is made: `, open, " ", el("a", { href: made.url, download: made.name }, `Save ${made.name}`));
    if (made.text) line.after(el("pre", { tabindex: "0", role: "region", "aria-label": label }, made.text));
    if (/\.(html|pdf|svg|txt)$/.test(made.name)) open.click();
    open.focus();
  } catch (error) {
    if (error instanceof Gone) gone();
    else if (!(error instanceof Refused)) throw error;
    line.replaceChildren(`${label}: `, error.body?.faults ? error.body.faults.map(faultText).join(" ") : error.message);
    line.className = "refusal";
  }
}
