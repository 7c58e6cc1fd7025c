// Cells by their names, and blocks of cells as spreadsheets copy and paste them.

export function columnLetters(column) {
  let letters = "";
  for (let rest = column + 1; rest > 0; rest = Math.floor((rest - 1) / 26)) {
    letters = String.fromCharCode(65 + ((rest - 1) % 26)) + letters;
  }
  return letters;
}

export const cellName = (row, column) => `${columnLetters(column)}${row + 1}`;

export function cellPlace(name) {
  const found = /^([A-Z]+)(\d+)$/.exec(name ?? "");
  if (!found) return null;
  const column = [...found[1]].reduce((sum, letter) => sum * 26 + letter.charCodeAt(0) - 64, 0) - 1;
  return { row: Number(found[2]) - 1, column };
}

/** Text from a spreadsheet as rows of cells; without tabs, semicolons part the cells. */
export function blockOf(text) {
  const clean = text.replace(/\r\n?/g, "\n").replace(/\n$/, "");
  const between = clean.includes("\t") || !/^[^\n]*;/.test(clean) ? "\t" : ";";
  const rows = [[]];
  let at = 0;
  while (at <= clean.length) {
    let cell = "";
    if (clean[at] === '"' && closes(clean, at, between)) {
      at += 1;
      while (clean[at] !== '"' || clean[at + 1] === '"') {
        cell += clean[at];
        at += clean[at] === '"' ? 2 : 1;
      }
      at += 1;
    } else {
      while (at < clean.length && clean[at] !== between && clean[at] !== "\n") cell += clean[at++];
    }
    rows.at(-1).push(cell.replace(/\s+/g, " ").trim());
    if (at >= clean.length) break;
    if (clean[at] === "\n") rows.push([]);
    at += 1;
  }
  return rows;
}

function closes(text, start, between) {
  let at = start + 1;
  while (at < text.length) {
    if (text[at] === '"') {
      if (text[at + 1] !== '"') break;
      at += 1;
    }
    at += 1;
  }
  const after = text[at + 1];
  return at < text.length && (after === undefined || after === between || after === "\n");
}

/** Rows of cells as text for a spreadsheet. */
export function textOf(rows) {
  const quoted = (cell) => (/[\t\n"]/.test(cell) ? `"${cell.replaceAll('"', '""')}"` : cell);
  return rows.map((cells) => cells.map(quoted).join("\t")).join("\n");
}

const SIGN = "([<>]?\\s*[-+±]?\\s*)";
const UNIT = "(\\s*[^\\d.,\\s].*)?";
const COMMA = new RegExp(`^${SIGN}(\\d+),(\\d+)${UNIT}$`);
const THOUSANDS_THEN_COMMA = new RegExp(`^${SIGN}(\\d{1,3}(?:[.  ']\\d{3})+),(\\d+)${UNIT}$`);
const THOUSANDS_THEN_POINT = new RegExp(`^${SIGN}\\d{1,3}(?:,\\d{3})+\\.\\d+${UNIT}$`);
const POINT = new RegExp(`^${SIGN}\\d*\\.\\d+${UNIT}$`);

/** `1,234` may be 1.234 or 1234; `0,234`, `1,2` and `12,3456` can only be decimals. */
const ambiguous = ([, , whole, decimals]) => decimals.length === 3 && /^[1-9]\d{0,2}$/.test(whole);

/**
 * How a block writes its decimals: {kind, cells}, kind one of "points" (nothing to do),
 * "commas" (all of them can be turned), "unsure" (`1,234` only), "mixed".
 */
export function decimalsOf(rows) {
  const cells = rows.flat();
  const commas = cells.filter((cell) => COMMA.test(cell) || THOUSANDS_THEN_COMMA.test(cell));
  const points = cells.filter((cell) => POINT.test(cell) && !/^\D*\d{1,3}\.\d{3}(?!\d)/.test(cell)
    || THOUSANDS_THEN_POINT.test(cell));
  if (!commas.length) return { kind: "points", cells: [] };
  const sure = commas.filter((cell) => {
    const found = COMMA.exec(cell);
    return !found || !ambiguous(found);
  });
  if (points.length) return { kind: "mixed", cells: [commas[0], points[0]] };
  return sure.length ? { kind: "commas", cells: commas } : { kind: "unsure", cells: commas };
}

/** The block with its decimal commas as points. */
export const withPoints = (rows) => rows.map((cells) => cells.map((cell) => {
  const whole = THOUSANDS_THEN_COMMA.exec(cell);
  if (whole) return `${whole[1]}${whole[2].replace(/\D/g, "")}.${whole[3]}${whole[4] ?? ""}`;
  return cell.replace(COMMA, (_all, sign, left, right, unit) => `${sign}${left}.${right}${unit ?? ""}`);
}));

/** The block with commas of thousands taken out. */
export const withoutThousands = (rows) => rows.map((cells) => cells.map((cell) =>
  cell.replace(COMMA, (_all, sign, left, right, unit) => `${sign}${left}${right}${unit ?? ""}`)));
