"""The page of `oretally desk`: from start to a usable page, from key to screen, from key to answer.

Needs the extra `test` and Debian's chromium. Times are those of the browser itself: the echo is
from the key to the frame that shows it; the balance (products and drawing) and the whole answer
(verdict and suspects) from the key to the frame that shows them.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "support"))

from desk_browser import Hand, chromium, running_desk

SIZES = ((4, 2), (12, 3), (30, 5), (60, 10), (200, 20))
SYMBOLS = "Sn Pb Zn Cu Au Ag Fe S As W Mo Ni Co Sb Bi Cd Mn Ti Cr V".split()
WATCH = """() => {
  const times = { echo: [], balance: null, answer: null };
  let key = 0;
  window.deskTimes = times;
  document.addEventListener("keydown", () => {
    key = performance.now();
    times.balance = times.answer = null;
  }, true);
  document.addEventListener("input", () => {
    const pressed = key;
    requestAnimationFrame(() => setTimeout(() => times.echo.push(performance.now() - pressed), 0));
  }, true);
  const answer = document.getElementById("answer");
  const shown = (what) => {
    const pressed = key;
    requestAnimationFrame(() => setTimeout(() => {
      times[what] ??= performance.now() - pressed;
    }, 0));
  };
  new MutationObserver(() => {
    if (answer.dataset.balanced === "true") shown("balance");
    if (answer.dataset.current === "true") shown("answer");
  }).observe(answer, { attributes: true, attributeFilter: ["data-balanced", "data-current"] });
}"""


def write_case(folder: Path, streams: int, analytes: int) -> None:
    """A row of separators, the tails of one the feed of the next; noise as the stated errors."""
    rng = np.random.default_rng(20)
    banks = (streams - 2) // 2
    names = SYMBOLS[:analytes]
    flow, grade = 100.0, rng.uniform(0.5, 5.0, analytes)
    ends = {"feed": (None, "bank 1")}
    content = {"feed": (flow, grade)}
    for bank in range(1, banks + 1):
        pull = flow * rng.uniform(0.01, 0.05)
        rich = grade * rng.uniform(1.5, 5.0, analytes)
        last = bank == banks
        ends[f"conc {bank}"] = (f"bank {bank}", None)
        content[f"conc {bank}"] = (pull, rich)
        grade = (grade * flow - rich * pull) / (flow - pull)
        flow -= pull
        ends[f"tails {bank}"] = (f"bank {bank}", None if last else f"bank {bank + 1}")
        share = 0.8 if last else 1.0
        content[f"tails {bank}"] = (share * flow, grade)
    ends["slimes"] = (f"bank {banks}", None)
    content["slimes"] = (0.2 * flow, grade)
    lines = [f"stream,dry rate [t/h],{','.join(f'{name} [%]' for name in names)}"]
    for name, (rate, grades) in content.items():
        noisy = [rate * rng.normal(1, 0.005), *grades * rng.normal(1, 0.02, analytes)]
        lines.append(f"{name}," + ",".join(f"{value:.5g}" for value in noisy))
    rows = [
        f'"{name}" = {{ '
        + ", ".join(f'{k} = "{v}"' for k, v in (("from", a), ("to", b)) if v is not None)
        + " }"
        for name, (a, b) in ends.items()
    ]
    rules = ['"dry rate" = { relative = 0.5 }', *(f"{name} = {{ relative = 2 }}" for name in names)]
    folder.mkdir()
    head = f'title = "{streams} streams"\nbasis = "rate"\n\n[streams]\n'
    toml = head + "\n".join(rows) + "\n\n[errors]\n" + "\n".join(rules) + "\n"
    (folder / "circuit.toml").write_text(toml, "utf-8")
    (folder / "measurements.csv").write_text("\n".join(lines) + "\n", "utf-8")


def measured(folder: Path, streams: int, analytes: int, rounds: int) -> dict[str, float]:
    """Seconds and milliseconds of one size."""
    case = folder / f"case {streams}"
    write_case(case, streams, analytes)
    started = time.perf_counter()
    with running_desk(folder, case.name) as desk, chromium() as browser:
        hand = Hand(browser)
        page = hand.page
        served = time.perf_counter()
        page.goto(desk.address)
        page.wait_for_selector("html[data-ready=true]")
        usable = page.evaluate("performance.getEntriesByName('usable')[0].startTime") / 1000
        hand.settled()
        first = time.perf_counter()
        page.evaluate(WATCH)
        balances, answers = [], []
        for turn in range(rounds):
            hand.to_cell("B2")
            text = page.inner_text('.cells tr[data-row="1"] td:nth-of-type(2)')
            for key in f"{text[:-1]}{turn}":  # a digit of the last place: nothing becomes wrong
                page.keyboard.press(key)
                page.wait_for_timeout(60)  # as one types
            hand.settled()
            page.wait_for_timeout(50)
            balances.append(page.evaluate("deskTimes.balance"))
            answers.append(page.evaluate("deskTimes.answer"))
            hand.press("Escape")
            hand.settled()
            page.wait_for_timeout(200)
        echo = page.evaluate("deskTimes.echo")
        return {
            "streams": streams, "analytes": analytes,
            "server s": served - started, "page s": usable,
            "first answer s": first - served,
            "echo ms": statistics.median(echo), "slowest echo ms": max(echo),
            "balance ms": statistics.median(balances), "slowest balance ms": max(balances),
            "answer ms": statistics.median(answers), "slowest answer ms": max(answers),
        }  # fmt: skip


def markdown(rows: list[dict[str, float]]) -> str:
    """The table of the README."""
    lines = ["| streams x analytes | page usable | key to screen | key to balance | to suspects |",
             "| --- | ---: | ---: | ---: | ---: |"]  # fmt: skip
    lines += [
        f"| {row['streams']} x {row['analytes']} | {row['page s']:.1f} s | "
        f"{row['echo ms']:.0f} ms | {row['balance ms'] / 1000:.2g} s | "
        f"{row['answer ms'] / 1000:.2g} s |"
        for row in rows
    ]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--most", type=int, default=200, help="streams")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--markdown", action="store_true", help="the table of the README")
    options = parser.parse_args()
    rows = []
    for streams, analytes in SIZES:
        if streams > options.most:
            continue
        with tempfile.TemporaryDirectory() as folder:
            rows.append(measured(Path(folder), streams, analytes, options.rounds))
        if len(rows) == 1:
            print(" | ".join(rows[0]))
        print(" | ".join(f"{value:.3g}" for value in rows[-1].values()), flush=True)
    if options.markdown:
        print(markdown(rows))
    if options.json:
        options.json.write_text(json.dumps(rows, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
