// Ways into the manual: from each part of the page, and from each problem, to what explains it.
import { el } from "./dom.js";

const TAB = "oretally-manual"; // the case stays in its own tab

/** What explains a part of the page, a table, a form: the end of an address in the manual. */
const PLACES = {
  circuit: "files-streams", nodes: "files-kinds-of-nodes", errors: "errors", drawing: "desk", numbers: "cells",
  answer: "first-test-4-balance", suspects: "wrong-numbers", otherwise: "wrong-numbers", next: "losses",
  refused: "planning", values: "mathematics", screen: "commands-oretally-balance",
  make: "first-test-6-keep-it-and-show-it", plan: "planning", compare: "comparing-tests",
  "circuit.toml": "files-circuit-toml", "circuit sheet": "files-sheets-of-a-workbook",
  measurements: "files-measurements-csv", kinetics: "files-kinetics-csv", sizes: "files-sizes-csv",
  lab: "files-lab-csv", stocks: "files-stocks-csv", metallics: "files-metallics-csv", prices: "files-prices-csv",
  expected: "planning", analytes: "files-analytes", sources: "errors-sources-that-several-numbers-share",
  doubts: "wrong-numbers", containers: "files-circuit-toml", "lab headers": "laboratory", losses: "files-losses", "metal prices": "losses",
  surveys: "campaign", trend: "campaign-what-has-changed", bias: "campaign-what-is-off-in-survey-after-survey",
  "new case": "starting-a-case", examples: "first-test",
};

/** The page of a kind of work. */
const KINDS = {
  bucket: "first-test", table: "first-test", "flotation test": "flotation-over-time", "timed flotation": "flotation-over-time",
  "flotation survey": "flotation-survey", "rougher survey": "flotation-survey", "grinding survey": "grinding",
  "bottle roll": "leaching", "timed bottle roll": "bottle-roll", "vat leach": "leaching", month: "stocks-and-months",
};

export const address = (end = "") => (end ? `/manual#${end}` : "/manual");

/** A link to what the manual says of a part of the page; `said` is read aloud. */
export function manualLink(part, said) {
  return el("a", { class: "manual", href: address(PLACES[part]), target: TAB, title: `The manual: ${said}` },
    el("span", { "aria-hidden": "true" }, "?"), el("span", { class: "only-read" }, `Manual: ${said}, in another tab`));
}

/** A link to the page of a kind of work; null if it has none. */
export const kindLink = (kind) => (KINDS[kind] ? el("a", { href: address(KINDS[kind]), target: TAB }, "How it goes") : null);

/** What the manual says of a table: its own section, else that of sheets. */
export function ofTable(part) {
  const name = part.replace(/\.csv$/, "").toLowerCase();
  if (name === "circuit.toml" || name in PLACES) return name === "circuit" ? "circuit sheet" : name;
  return part.endsWith(".csv") ? "lab" : "circuit sheet";
}

/** What explains a problem: how errors are stated, else what may stand where it is. */
export function ofFault({ missing, part, cell }) {
  if (missing?.what === "error") return "errors";
  if (cell && part && ["measurements", "measurements.csv"].includes(part.toLowerCase())) return "numbers";
  return part ? ofTable(part) : "circuit.toml";
}

/** Open the manual at what is worked on; it is the key F1. */
export function openManual() {
  const at = document.activeElement?.closest("[data-manual]")?.dataset.manual;
  window.open(address(PLACES[at]), TAB);
}
