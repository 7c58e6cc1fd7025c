// The keys of a table of cells.

export const SPARE_COLUMNS = 2; // blank columns after the last that is filled

/** What a key does in a table of cells. */
export function pressed(grid, event) {
  const steps = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] };
  const command = event.ctrlKey || event.metaKey;
  if (event.isComposing) return;
  const { row, column } = grid.active;
  const taken = () => { event.preventDefault(); event.stopPropagation(); };
  if (grid.editing) {
    const step = { Enter: event.shiftKey ? [-1, 0] : [1, 0], Tab: event.shiftKey ? [0, -1] : [0, 1] }[event.key]
      ?? (grid.editing.fresh && !command && !event.shiftKey ? steps[event.key] : undefined);
    if (step) { taken(); grid.finish(true, step); }
    else if (event.key === "Escape") { taken(); grid.finish(false, undefined); }
    else if (event.key === "F2") grid.editing.fresh = false;
    return;
  }
  const leaving = grid.leaving;
  if (event.key !== "Shift") grid.leaving = false;
  const page = Math.max(1, Math.floor(grid.element.clientHeight / grid.rowHeight()) - 2);
  if (steps[event.key] && !event.altKey) {
    taken();
    const [down, right] = steps[event.key];
    const to = command ? edgeFrom(grid, row, column, down, right) : { row: row + down, column: column + right };
    grid.go(to.row, to.column, event.shiftKey);
  } else if (event.key === "Home") { taken(); grid.go(command ? 0 : row, 0, event.shiftKey); }
  else if (event.key === "End") {
    taken();
    const last = command ? grid.rows.length - 1 : row;
    grid.go(last, Math.max(0, (grid.rows[last] ?? []).length - 1), event.shiftKey);
  } else if (event.key === "PageDown") { taken(); grid.go(row + page, column, event.shiftKey); }
  else if (event.key === "PageUp") { taken(); grid.go(row - page, column, event.shiftKey); }
  else if (event.key === "Tab" && !leaving && !command) {
    const to = column + (event.shiftKey ? -1 : 1);
    const width = grid.wide - SPARE_COLUMNS;
    if (to >= 0 && to < width) { taken(); grid.go(row, to); }
    else if (!event.shiftKey && row + 1 < grid.rows.length) { taken(); grid.go(row + 1, 0); }
    else if (event.shiftKey && row > 0) { taken(); grid.go(row - 1, width - 1); }
  } else if (event.key === "Escape") { grid.leaving = true; grid.go(row, column); }
  else if (event.key === "Enter" || event.key === "F2") { taken(); grid.edit(null); }
  else if (event.key === "Delete" || event.key === "Backspace") {
    taken();
    if (!grid.readonly) grid.clear("cells emptied");
  } else if (command && event.key.toLowerCase() === "a") {
    taken();
    grid.anchor = { row: 0, column: 0 };
    grid.go(grid.rows.length - 1, grid.wide - SPARE_COLUMNS - 1, true);
  } else if (event.key.length === 1 && !command && !event.altKey) grid.edit("");
}

/** Where Ctrl and an arrow lead: the end of what is filled, or the next that is. */
function edgeFrom(grid, row, column, down, right) {
  let at = { row, column };
  const filled = (place) => grid.text(place.row, place.column) !== "";
  const next = (place) => ({ row: place.row + down, column: place.column + right });
  const within = (place) => place.row >= 0 && place.row < Math.max(1, grid.rows.length)
    && place.column >= 0 && place.column < grid.wide;
  const run = filled(at) && within(next(at)) && filled(next(at));
  while (within(next(at)) && (run ? filled(next(at)) : !filled(next(at)))) at = next(at);
  return !run && within(next(at)) ? next(at) : at;
}
