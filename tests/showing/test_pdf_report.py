"""The report as a PDF: what it holds, that names stay text, the same bytes, without the extra."""

from __future__ import annotations

import html
import importlib.util
import re
import shutil
import zlib
from pathlib import Path
from typing import Any

import pytest
from example_balances import example_balance

from oretally.flowsheet import InputError
from oretally.io.case import Case, read_case
from oretally.io.cli import main
from oretally.io.definition import Price
from oretally.io.pictures import grade_recovery_svg
from oretally.io.results import html_report, pdf_report, refuse_without_typst
from oretally.io.results.pdf import INSTALL
from oretally.io.results.pdf_pages import page_tables, pages
from oretally.io.wording import MONEY_CAUTION, ResultTable, cautions_of, recovery_table
from oretally.recon import Balance, reconcile

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
Capture = pytest.CaptureFixture[str]


def balance_of(case: Case) -> Balance:
    return reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)


@pytest.fixture(scope="module")
def tin() -> Balance:
    return example_balance("tin_table")


def streams_of(pdf: bytes) -> list[bytes]:
    """Return the unpacked streams of a PDF (ISO 32000-1, 7.3.8 and 7.4.4)."""
    found = []
    for match in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.DOTALL):
        try:
            found.append(zlib.decompress(match[1]))
        except zlib.error:
            found.append(match[1])
    return found


def text_of(pdf: bytes) -> str:
    """Return the characters shown, by the ToUnicode maps of its fonts (ISO 32000-1, 9.10.3)."""
    streams = streams_of(pdf)
    # every font is a subset with codes of its own: which characters there are is what counts
    maps = b"".join(s for s in streams if b"begincmap" in s)
    shown = ""
    for line in re.findall(rb"<[0-9A-Fa-f]+> <([0-9A-Fa-f]+)>", maps):
        shown += bytes.fromhex(line.decode()).decode("utf-16-be", "replace")
    return shown


def words_of(node: Any) -> str:
    """Return every text of the pages, one a line."""
    if isinstance(node, str):
        return node + "\n"
    if isinstance(node, dict):
        return "".join(words_of(each) for key, each in node.items() if key not in ("kind", "svg"))
    return "".join(map(words_of, node)) if isinstance(node, list | tuple) else ""


def test_a4_pages_numbered_fonts_within(tin: Balance) -> None:
    pdf = pdf_report(tin)
    assert pdf.startswith(b"%PDF-1.")
    whole = pdf + b"".join(streams_of(pdf))
    boxes = set(re.findall(rb"/MediaBox ?\[([^\]]*)\]", whole))
    sizes = {tuple(round(float(x)) for x in box.split()) for box in boxes}
    assert sizes == {(0, 0, 595, 842)}  # A4 in points, ISO 216: 210 x 297 mm
    fonts = set(re.findall(rb"/BaseFont ?/([^\s/]+)", whole))
    assert fonts and all(re.match(rb"[A-Z]{6}\+Libertinus", font) for font in fonts)
    assert set("±0123456789") <= set(text_of(pdf))
    assert b"CreationDate" not in whole and b"ModDate" not in whole


def test_signs_have_a_glyph_in_the_fonts_within(tmp_path: Path) -> None:
    """Each sign is mapped from a glyph of Libertinus, none from another font."""
    case = _named(tmp_path, 'plus ± µ − → – ≤ Ω Ж ł "quoted"')
    pdf = pdf_report(balance_of(case))
    assert set("±µ−→–≤ΩЖł") <= set(text_of(pdf))
    fonts = re.findall(rb"/BaseFont ?/[A-Z]{6}\+([^\s/-]+)", pdf + b"".join(streams_of(pdf)))
    assert set(fonts) == {b"LibertinusSerif"}


def test_wide_drawings_stand_across(tmp_path: Path) -> None:
    balance = example_balance("rougher_cleaner")
    pdf = pdf_report(balance)
    boxes = re.findall(rb"/MediaBox ?\[([^\]]*)\]", pdf + b"".join(streams_of(pdf)))
    sizes = [tuple(round(float(x)) for x in box.split()) for box in boxes]
    assert sizes.count((0, 0, 842, 595)) == 3  # verdict and circuit, and where Cu and Fe go


def test_same_bytes(tin: Balance) -> None:
    assert pdf_report(tin) == pdf_report(example_balance("tin_table"))


IN_FULL_ONLY_IN_HTML = (
    "Every quantity, stream by stream", "Every size class, stream by stream",
    "Each adjustment divided by its own standard deviation", "Which errors cannot be told apart",
    "What could go unseen: errors missed", "Are the stated errors believable",
    "Laws fitted to the cumulative passing", "Partition at ", "continued",
    "Lines are as wide as",  # the first two analytes where the drawing needs a page across
)  # fmt: skip
"""Captions of detail that pages to print leave to the HTML report."""


@pytest.fixture(scope="module")
def sized(tmp_path_factory: pytest.TempPathFactory) -> Balance:
    """Return a flotation of which feed and both products were assayed by size."""
    folder = tmp_path_factory.mktemp("sized") / "case"
    shutil.copytree(EXAMPLES / "grind_fine", folder)
    circuit = folder / "circuit.toml"
    rules = '[errors]\n"class mass" = { relative = 1 }\n"class grades" = { relative = 3 }\n'
    circuit.write_text(re.sub(r"\[errors\][^\n]*\n", rules, circuit.read_text("utf-8")), "utf-8")
    rows = ("feed,,75,40,1.00", "feed,75,,60,2.47",
            "concentrate,,75,30,41", "concentrate,75,,70,53",
            "tailings,,75,40,0.14", "tailings,75,,60,0.31")  # fmt: skip
    head = "stream,passing [um],retained [um],mass [g],Pb [%]"
    (folder / "sizes.csv").write_text("\n".join((head, *rows)) + "\n", "utf-8")
    return balance_of(read_case(folder))


def test_what_is_lost_by_size_is_printed_too(sized: Balance, tin: Balance) -> None:
    said = words_of(pages(sized, (), None))
    assert "Recovery by size: Pb of 'feed' to 'concentrate'" in said
    pictures = [
        block["svg"] for part in pages(tin, (), None)["parts"] for block in part["blocks"]
        if block["kind"] == "picture"
    ]  # fmt: skip
    (curve,) = tin.losses.curves
    assert grade_recovery_svg(curve) in pictures
    assert "Grade against recovery of Sn: products taken together" in words_of(pages(tin, (), None))


@pytest.mark.parametrize(
    "name", ["sized", "tin_table", "tails_by_size", "leach_test", "wrong_assay", "grinding_by_size"]
)
def test_says_what_the_html_says(name: str, sized: Balance) -> None:
    balance = sized if name == "sized" else example_balance(name)
    said, report = words_of(pages(balance, (), None)), html_report(balance)
    for each in cautions_of(balance):
        assert f"{each.title}\n" in said
        assert all(sentence in said for sentence in each.usual)
    for r in balance.recoveries:
        assert f"{r.stream}\n" in said
    captions = re.findall(r"<(?:caption|figcaption)>([^<]*)<", report)
    assert len(captions) > 8
    for caption in map(html.unescape, captions):
        if not any(words in caption for words in IN_FULL_ONLY_IN_HTML):
            assert caption.split(". ")[0] in said, caption
    first = balance.survey.analytes[0].name
    assert f"Lines are as wide as the share of the feed's {first} that they carry." in said
    assert said.count("They are no resource statement, valuation or settlement.") == 1
    assert pdf_report(balance).startswith(b"%PDF")


def test_suspects_are_told() -> None:
    balance = example_balance("wrong_assay")
    said = words_of(pages(balance, (), None))
    assert "Worth a second weighing or assay, the likeliest first" in said
    assert "above 99 %: Cu of 'final tails' (measured 1.64 %, the others say 0.145)" in said
    assert "Recoveries under each explanation" in said


def test_no_money_without_its_caution(tin: Balance) -> None:
    priced = words_of(pages(tin, (Price("Sn", 25.0, "EUR", "25 EUR/kg"),), None))
    assert "worth [EUR]" in priced
    assert MONEY_CAUTION in priced
    assert "EUR" not in words_of(pages(tin, (), None))


NASTY = '#read("/etc/passwd") $x$ *b* `r` <l> @c \\ // #import "@preview/cetz:0.3.4"'


def _named(folder: Path, name: str) -> Case:
    """Return a case whose title, streams and node are called so."""
    quoted = "'" + name + "'"
    (folder / "circuit.toml").write_text(
        f'title = {quoted}\nbasis = "batch"\n[streams]\n{quoted} = {{ to = {quoted} }}\n'
        f"c = {{ from = {quoted} }}\nt = {{ from = {quoted} }}\n"
        '[errors]\n"dry mass" = { relative = 1 }\nSn = { relative = 3 }\n',
        "utf-8",
    )
    cell = '"' + name.replace('"', '""') + '"'
    (folder / "measurements.csv").write_text(
        f"stream,dry mass [kg],Sn [%]\n{cell},10,1\nc,1,8\nt,9,0.2\n", "utf-8"
    )
    return read_case(folder)


@pytest.fixture
def given(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Return what typst is given, once it is called."""
    import typst

    found: dict[str, Any] = {}
    real: Any = typst.compile

    def watched(template: bytes, **options: Any) -> bytes:
        found.update(options, template=template, beside=list(Path(options["root"]).iterdir()))
        pdf: bytes = real(template, **options)
        return pdf

    monkeypatch.setattr(typst, "compile", watched)
    return found


def test_names_stay_text(tmp_path: Path, given: dict[str, Any]) -> None:
    """Nothing of a name is carried out: it comes as data, and is set letter by letter."""
    pdf = pdf_report(balance_of(_named(tmp_path, NASTY)))
    assert b"passwd" not in given["template"]
    assert "passwd" in given["sys_inputs"]["report"]
    assert given["beside"] == []  # no file lies where the template could read
    # the title of the file is the name as it stands; its letters are there to be shown
    titles = re.findall(rb"/Title ?\(((?:[^()\\]|\\.|\([^()]*\))*)\)", pdf)
    assert NASTY.encode() in [re.sub(rb"\\(.)", rb"\1", title) for title in titles]
    assert set(NASTY) - {" "} <= set(text_of(pdf))


def test_the_template_reads_no_file(given: dict[str, Any], tin: Balance) -> None:
    """What it shows is what it is given: nothing that reads or imports stands in it."""
    pdf_report(tin)
    words = set(re.findall(rb"[a-z.]+(?=\()", given["template"]))
    assert words.isdisjoint({b"read", b"csv", b"yaml", b"toml", b"xml", b"plugin", b"eval"})
    assert b"#import" not in given["template"] and b"#include" not in given["template"]
    assert given["template"].count(b"json(") == 1 and b"json(bytes(sys.inputs" in given["template"]


def test_scripts_without_a_font_within_are_told(
    tmp_path: Path, given: dict[str, Any], tin: Balance
) -> None:
    said = "Some names are in a script that the fonts of this program do not have."
    pdf_report(balance_of(_named(tmp_path, "\u77ff\u77f3")))
    assert given["ignore_system_fonts"] is False
    assert said in given["sys_inputs"]["report"]
    pdf_report(tin)
    assert given["ignore_system_fonts"] is True
    assert said not in given["sys_inputs"]["report"]


def test_wide_tables_are_cut_between_pairs() -> None:
    names = [f"A{i}" for i in range(20)]
    table = ResultTable(
        "Recoveries", ["stream", "", *(h for n in names for h in (f"{n} [%]", "±"))],
        [["concentrate", "product", *["12.34", "0.56"] * 20]], 2,
    )  # fmt: skip
    parts = page_tables([table])
    assert len(parts) > 1
    assert [p["caption"] for p in parts] == [
        f"Recoveries ({i + 1} of {len(parts)})" for i in range(len(parts))
    ]
    seen = []
    for part in parts:
        assert part["header"][:2] == ["stream", ""]
        assert part["header"][2::2] != [] and set(part["header"][3::2]) == {"±"}
        assert part["rows"][0][:2] == ("concentrate", "product")
        seen += part["header"][2::2]
    assert seen == [f"{n} [%]" for n in names]


def test_narrow_tables_are_whole(tin: Balance) -> None:
    (part,) = page_tables([recovery_table(tin)])
    assert part["caption"] == "Recovery and distribution, of 'table feed'"
    assert [row[0] for row in part["rows"]] == ["concentrate", "middlings", "tailings"]


def test_without_the_extra(
    monkeypatch: pytest.MonkeyPatch, capsys: Capture, tmp_path: Path
) -> None:
    """Told before any work: the case, which is not there, is not looked at."""
    real = importlib.util.find_spec
    monkeypatch.setattr(
        "oretally.io.results.pdf.find_spec", lambda n: None if n == "typst" else real(n)
    )
    said = (
        "option --pdf: A PDF needs the library 'typst', which is not installed.\n"
        f"Install it, in the folder of oretally's README: {INSTALL}\n"
        "or write --html FILE and print that to a PDF from the browser."
    )
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text("utf-8")
    made = "python3 -m venv --without-pip .venv"  # so no 'python -m pip' inside it
    assert made in readme and f"`{INSTALL}`" in readme
    with pytest.raises(InputError) as refused:
        refuse_without_typst()
    assert str(refused.value) == said
    with pytest.raises(SystemExit) as stop:
        main(["balance", str(tmp_path / "not there"), "--pdf", str(tmp_path / "b.pdf")])
    assert stop.value.code == 2
    assert capsys.readouterr().err == f"1 problem in the input:\n\n{said}\n"
    assert not list(tmp_path.iterdir())


def test_no_room_for_temporary_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise FileNotFoundError(2, "No usable temporary directory found")

    monkeypatch.setattr("oretally.io.results.pdf.TemporaryDirectory", full)
    with pytest.raises(InputError, match="A PDF needs an empty folder for a moment"):
        pdf_report(balance_of(_named(tmp_path, "ore")))
