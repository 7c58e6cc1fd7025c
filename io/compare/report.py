"""The report of a comparison: one HTML file, to read, print or send."""

from __future__ import annotations

from importlib.metadata import version
from importlib.resources import files

from oretally.flowsheet.digits import format_number, format_p
from oretally.io.compare.picture import MOST_ROWS, comparison_svg
from oretally.io.compare.wording import cautions, difference_table, hazards, verdicts
from oretally.io.wording import CAUTIONS_HEADING, defer
from oretally.recon.comparison import Comparison

__all__ = ["comparison_report"]

_TESTS = ("test", "title", "chi-square", "degrees of freedom", "p", "errors scaled by")


def comparison_report(found: Comparison) -> str:
    """Return the report as one self-contained HTML document.

    No date, no network, no script: the same tests give the same bytes.
    """
    import jinja2

    text = files("oretally.io").joinpath("templates/comparison.html.j2").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    labels = [found.arm_label(i) for i in range(len(found.arms))]
    table = difference_table(found)
    return environment.from_string(text).render(
        title=" against ".join((labels[0], ", ".join(labels[1:]))),
        verdicts=list(verdicts(found)),
        caption=table.caption,
        header=table.header,
        kinds=table.kinds,
        rows=table.rows,
        picture=comparison_svg(found),
        drawn=MOST_ROWS,
        answers=sum(d.mirror_of is None for d in found.differences),
        tests_header=_TESTS,
        tests=[
            (t.label, t.model.survey.title, format_number(t.test.statistic), str(t.test.dof),
             format_p(t.test.p), format_number(t.factor**0.5, 3))
            for t in found.tests
        ],
        cautions=list(cautions(found)),
        hazards_heading=CAUTIONS_HEADING,
        hazards=hazards(found),
        defer=defer(),
        version=version("oretally"),
    )  # fmt: skip
