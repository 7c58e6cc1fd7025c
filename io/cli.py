"""The command line. Results go to standard output, messages and progress to standard error.

Exit statuses: `exit_status`.
Libraries are imported when a command needs them, so that ``--help`` answers at once.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import click

from oretally.io.commands.campaign import campaign
from oretally.io.commands.exit_status import DONE, NOT_BALANCEABLE, WRONG_INPUT, guarded
from oretally.io.commands.loading import loading
from oretally.io.commands.options import (
    balance_options,
    compare_options,
    lab_options,
    new_options,
    plan_options,
    sample_mass_options,
)
from oretally.io.commands.output_files import SVG_MARK, ends_in, refuse_overwriting, write_whole
from oretally.io.commands.progress import progress
from oretally.io.commands.signals import stoppable
from oretally.io.commands.web import refuse_without_web

__all__ = ["main", "oretally"]


class _Group(click.Group):
    """A command group that names the nearest command when one is misspelt."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            from oretally.flowsheet.faults import nearest_name

            near = nearest_name(args[0], self.list_commands(ctx)) if args else None
            # recent click says it by itself
            if near and not getattr(error, "possibilities", None):
                raise click.UsageError(f"{error.message} Did you mean '{near}'?", ctx) from error
            raise


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="oretally", message="oretally %(version)s")
def oretally() -> None:
    """Consistent mass and metal balances for ore tests and small mills.

    A CASE is a folder with circuit.toml and measurements.csv, or a workbook (.xlsx, .ods).

    Exit status: 0 done; 1 the data cannot be balanced; 2 the input is wrong, or an output cannot be
    written or shown; 3 a mistake of ours; 128 and its number if a signal ended it, as of a pipe
    that was closed.
    """


@oretally.command()
@balance_options
def balance(
    case: Path, json_file: str | None, html: Path | None, xlsx: Path | None, pdf: Path | None,
    brief: bool, show: bool, parts: str | None, full: bool, **asked: Any,
) -> int:  # fmt: skip
    """Adjust all measurements of CASE so that everything balances, and report."""
    with progress("reading") as say:
        with loading():
            from oretally.io.commands import balance as work

        shown = work.shown_parts(parts, full=full)
        outputs = work.Outputs(json_file, html, xlsx, pdf, brief, show, shown)
        answer = work.balanced(case, outputs, say=say, **asked)
        say("writing")
        work.write(answer, outputs)
    return DONE if work.show(answer, outputs) else NOT_BALANCEABLE


@oretally.command()
@click.argument("case", type=click.Path(path_type=Path))
@click.option("--svg", type=click.Path(path_type=Path), metavar="FILE",
              callback=ends_in(".svg"),
              help="Write the drawing of the circuit.")  # fmt: skip
@click.option("--full", is_flag=True, help="Print the circuit as read, closures and heads too.")
def check(case: Path, svg: Path | None, full: bool) -> int:
    """Read CASE and judge it: closures, what is checked, what cannot be known. No adjustment."""
    with progress("reading") as say:
        with loading():
            from oretally.io.case import read_case
            from oretally.io.commands.check import check_text
            from oretally.io.wording import this_terminal
            from oretally.recon import check

        refuse_overwriting([case], svg)
        read = read_case(case)
        say("judging")
        found = check(read.circuit, read.survey, feed=read.feeds, products=read.products)
        if svg is not None:
            from oretally.io.pictures import circuit_svg, measured_labels

            drawing = circuit_svg(read.circuit, measured_labels(read.survey))
            write_whole(svg, drawing + SVG_MARK)
    click.echo(check_text(read, found, this_terminal(), full=full), nl=False)
    if svg is not None:
        click.echo(f"written: {svg}", err=True)
    if found.scale_missing:
        click.echo("This case cannot be balanced: nothing fixes the scale.", err=True)
        return NOT_BALANCEABLE
    return DONE


@oretally.command()
@new_options
def new(target: Path | None, example: str | None, kind: str | None, **stated: str | None) -> int:
    """Make a case to fill in: a folder, or a workbook if the name ends in .xlsx.

    On a terminal it asks what kind of work it is, unless --kind says so. Nothing is ever written
    over; what cannot be finished is removed.
    """
    from oretally.io.beginning import begun_case

    written, begin = begun_case(target, example, kind, stated)
    for path in written:
        click.echo(f"written: {path}", err=True)
    click.echo(begin, err=bool(written))
    return DONE


@oretally.command()
@click.argument("case", type=click.Path(path_type=Path))
@click.option(
    "--html",
    type=click.Path(path_type=Path),
    metavar="FILE",
    callback=ends_in(".html", ".htm"),
    help="Write the form to print: what to weigh, what to take, labels.",
)
@click.option("--xlsx", type=click.Path(path_type=Path), metavar="FILE",
              callback=ends_in(".xlsx"),
              help="Write the workbook to type into; 'balance' reads it back.")  # fmt: skip
def sheet(case: Path, html: Path | None, xlsx: Path | None) -> int:
    """Make the sampling sheet of CASE, whose measurements may still be blank."""
    with loading():
        from oretally.io.case import read_unmeasured

    if html is None and xlsx is None:
        raise click.UsageError("Say what to write: --html FILE to print, --xlsx FILE to type into.")
    refuse_overwriting([case], html, xlsx)
    plan = read_unmeasured(case)
    if html is not None:
        from oretally.io.forms import sampling_form

        write_whole(html, sampling_form(plan))
    if xlsx is not None:
        from oretally.io.forms import entry_workbook

        write_whole(xlsx, entry_workbook(plan))
    for path in (html, xlsx):
        if path is not None:
            click.echo(f"written: {path}", err=True)
    return DONE


@oretally.command()
@lab_options
def lab(
    source: Path, json_file: str | None, html: Path | None, full: bool, fill: bool,
    bias_source: bool,
) -> int:  # fmt: skip
    """Judge a laboratory batch by its standards, blanks and duplicates: lab.csv, or a sheet 'lab'.

    Its samples are held against the grades of CASE, and filled in if you ask. The table [lab] of
    circuit.toml names a laboratory's own columns, and whose sample is which.
    """
    with loading():
        import oretally.io.certificate as certificate
        from oretally.io.files import is_folder, readable_name
        from oretally.io.laboratory import (
            bias_sources,
            judged_table,
            lab_json,
            lab_report,
            lab_summary,
            read_lab,
        )

    if bias_source and json_file == "-":
        raise click.UsageError("Print one of them: leave out --json -, or --bias-source.")
    refuse_overwriting([source], json_file, html)
    batch = read_lab(source)
    judged = judged_table(batch, readable_name(Path(os.path.realpath(source)).stem))
    grades = None
    if fill:
        of_case, grades = certificate.fill_grades(source, batch)
    found = of_case if fill else certificate.case_certificate(source, batch)
    if found is not None and grades:
        click.echo(f"written: {source / found.file if is_folder(source) else source}", err=True)
    lines = certificate.certificate_lines(found, grades, full=full) if found else []
    samples = certificate.certificate_document(found, grades) if found else None
    for path in (Path(p) for p in (json_file, html) if p not in (None, "-")):
        write_whole(path, lab_report(judged, lines) if path == html else lab_json(judged, samples))
        click.echo(f"written: {path}", err=True)
    if bias_source:
        click.echo(bias_sources(judged), nl=False)
    elif json_file == "-":
        click.echo(lab_json(judged, samples), nl=False)
    else:
        click.echo(lab_summary(judged, lines, full=full), nl=False)
    return DONE


@oretally.command()
@compare_options
def compare(
    cases: tuple[str, ...], json_file: str | None, html: Path | None, full: bool, **asked: Any
) -> int:
    """Tell whether the difference between tests is real, and how many repeats would decide it.

    The first CASE stands against each other one; with repeats: oretally compare A1 A2 vs B1 B2.
    """
    with progress("reading") as say:
        with loading():
            from oretally.io.compare import (
                case_paths,
                compare_cases,
                comparison_json,
                comparison_report,
                comparison_text,
            )

        refuse_overwriting(case_paths(cases), json_file, html)
        found = compare_cases(cases, say=say, **asked)
        for path in (Path(p) for p in (json_file, html) if p not in (None, "-")):
            write_whole(path, comparison_report(found) if path == html else comparison_json(found))
            click.echo(f"written: {path}", err=True)
    text = comparison_json(found) if json_file == "-" else comparison_text(found, full=full)
    click.echo(text, nl=False)
    return DONE


@oretally.command(context_settings={"allow_extra_args": True})
@plan_options
def plan(case: Path, json_file: str | None, **asked: Any) -> int:
    """Plan measurements: which, how often, within a budget; before a test or after one."""
    if others := click.get_current_context().args:
        raise click.UsageError(
            f"A plan is for one case, and {1 + len(others)} were given. Of several tests "
            "plan the one whose ± is widest: oretally compare shows the ± of each."
        )
    with loading():
        from oretally.io.commands.plan import written_plan

    click.echo(written_plan(case, json_file, **asked), nl=False)
    return DONE


@oretally.command("sample-mass")
@sample_mass_options
def sample_mass(file: Path | None, json_file: str | None, **asked: str | None) -> int:
    """Tell how much sample an ore needs, or what error a sample leaves (Gy's formula).

    FILE (TOML) holds the same entries, and stages of crushing and splitting in the order of work.
    """
    with loading():
        from oretally.io.sampling import read_sample_plan, sample_mass_json, sample_mass_text

    refuse_overwriting([file], json_file)
    plan = read_sample_plan(asked, file)
    if json_file not in (None, "-"):
        write_whole(Path(str(json_file)), sample_mass_json(plan))
        click.echo(f"written: {json_file}", err=True)
    click.echo(sample_mass_json(plan) if json_file == "-" else sample_mass_text(plan), nl=False)
    return DONE


@oretally.command()
@click.argument("case", type=click.Path(path_type=Path), required=False)
@click.option("--port", type=click.IntRange(0, 65535), default=0, metavar="N",
              help="Listen on this port of the loopback; left out, any that is free.")  # fmt: skip
@click.option("--no-browser", is_flag=True, help="Print the address and open no browser.")
def desk(case: Path | None, port: int, no_browser: bool) -> int:
    """Work on CASE in a page on this machine: circuit, numbers and balance side by side.

    CASE may be the file of a campaign too: its surveys, what changes over time, what is off in all
    of them. Without CASE the page starts a new case, an example or a recent one. Nothing leaves
    the machine.
    """
    refuse_without_web()
    with loading():
        from oretally.io.desk import run_desk

    run_desk(case, port, oretally, browser=not no_browser)
    return DONE


@oretally.command("help")
@click.argument("page", required=False)
@click.option("--html", type=click.Path(path_type=Path), metavar="FILE",
              callback=ends_in(".html", ".htm"),
              help="Write the whole manual as one page for a browser.")  # fmt: skip
def manual(page: str | None, html: Path | None) -> int:
    """Read the manual: the list of its pages, or one PAGE of it."""
    with loading():
        from oretally.io.manual import contents_text, manual_page, topic_of, topic_text, topics
        from oretally.io.wording import this_terminal

    if html is not None:
        refuse_overwriting([], html)
        write_whole(html, manual_page(topics(oretally)))
        click.echo(f"written: {html}", err=True)
        return DONE
    terminal = this_terminal()
    if page is None:
        click.echo(contents_text(topics(oretally), terminal.width), nl=False)
        return DONE
    text = topic_text(topic_of(page, oretally), terminal.width)
    if terminal.styled:
        click.echo_via_pager(text)
    else:
        click.echo(text)
    return DONE


oretally.add_command(campaign)


@oretally.command(context_settings={"ignore_unknown_options": True})
@click.argument("number")
@click.argument("unit")
@click.argument("other")
def convert(number: str, unit: str, other: str) -> int:
    """Write NUMBER of UNIT in the unit OTHER, with the exact factor and its source.

    For example: oretally convert 0.31 ozt/st g/t
    """
    from oretally.io.commands.convert import conversion_text

    text, understood = conversion_text(number, unit, other)
    click.echo(text, err=not understood)
    return DONE if understood else WRONG_INPUT


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit with its status."""
    with stoppable():
        sys.exit(guarded(lambda: oretally.main(arguments, standalone_mode=False)))
