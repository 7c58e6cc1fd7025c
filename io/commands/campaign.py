"""`oretally campaign FILE ...`: many surveys in one file, over weeks and years."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING

import click

from oretally.io.campaign_commands import FileFirst
from oretally.io.commands.exit_status import DONE, NOT_BALANCEABLE, WRONG_INPUT
from oretally.io.commands.loading import loading
from oretally.io.commands.output_files import ends_in, refuse_overwriting, write_whole
from oretally.io.commands.progress import progress

if TYPE_CHECKING:
    from oretally.io.campaign_views import CampaignReport

__all__ = ["campaign"]

_BY = click.option("--by", metavar="NAME", help="Who does it; left out, the name of the account.")


@click.group(cls=FileFirst)
@click.argument("file")
@click.pass_context
def campaign(context: click.Context, file: str) -> None:
    """Keep many surveys in FILE, and ask it what one survey cannot show.

    FILE is made by the first 'add'; it may also be the address of a PostgreSQL database,
    postgresql://user@host/name. Nothing in it is ever changed: corrections and decisions are added,
    and all stays.
    """
    context.obj = file


@campaign.command()
@click.argument("sources", metavar="SOURCE...", nargs=-1, required=True,
                type=click.Path(path_type=Path))  # fmt: skip
@click.option("--circuit", type=click.Path(path_type=Path), metavar="circuit.toml",
              help="The circuit of a table of many surveys.")  # fmt: skip
@click.option("--label", help="What the survey is called; left out, its folder or file.")
@click.option("--time", "moment", metavar="TIME", help="When it was taken: 2026-03-14 06:30.")
@click.option("--kind", help="Kind of run it is compared under, such as 'night shift'.")
@click.option("--correct", is_flag=True,
              help="Surveys that are there already are corrected; both stay.")  # fmt: skip
@click.option("--why", default="", help="Why they are corrected.")
@_BY
@click.pass_obj
def add(
    file: str, sources: tuple[Path, ...], circuit: Path | None, label: str | None,
    moment: str | None, kind: str | None, correct: bool, why: str, by: str | None,
) -> int:  # fmt: skip
    """Add surveys: cases, folders of cases, workbooks, tables of many surveys.

    A table (CSV, Parquet, or the sheet 'surveys' of a workbook) has a column 'survey' beside those
    of measurements.csv, and may have 'time' and 'kind'. A survey that is there already, to the last
    byte, is not added again.
    """
    if correct and not why.strip():
        raise click.UsageError("--correct needs --why: it is kept with the correction.")
    if why.strip() and not correct:
        raise click.UsageError("--why goes with --correct.")
    with progress("reading") as say:
        with loading():
            from oretally.io.campaign_commands import added_text

        refuse_overwriting([*sources, circuit])
        text, complete = added_text(
            file, sources, circuit, label=label, moment=moment, kind=kind, correct=correct,
            why=why, by=by, say=say,
        )  # fmt: skip
    click.echo(text, nl=False)
    return DONE if complete else WRONG_INPUT


@campaign.command()
@click.argument("certificates", metavar="CERTIFICATE...", nargs=-1, required=True,
                type=click.Path(path_type=Path))  # fmt: skip
@click.option("--samples", "samples_file", type=click.Path(path_type=Path), metavar="FILE",
              help="Whose sample is which: a file with [lab.samples], as circuit.toml has it, and "
              "in it lines such as \"L26-0417\" = \"week 2/feed\".")  # fmt: skip
@_BY
@click.pass_obj
def certificate(
    file: str, certificates: tuple[Path, ...], samples_file: Path | None, by: str | None
) -> int:
    """Fill a laboratory's grades into blank cells of surveys.

    Samples are called 'survey/stream', or --samples says whose they are. A certificate is a table
    of assays as 'oretally lab' reads it. The surveys are corrected, those before stay, and typed
    numbers that differ are told.
    """
    with progress("reading"):
        with loading():
            from oretally.io.campaign_commands import certified_text

        refuse_overwriting([*certificates, samples_file])
        text = certified_text(file, certificates, by=by, samples_file=samples_file)
    click.echo(text, nl=False)
    return DONE


@campaign.command("list")
@click.option("--every", is_flag=True, help="Those that others correct too.")
@click.pass_obj
def list_(file: str, every: bool) -> int:
    """List the surveys in order of time."""
    with loading():
        from oretally.io.campaign import open_campaign, survey_list
        from oretally.io.wording import this_terminal

    click.echo(survey_list(open_campaign(file), this_terminal(), every=every), nl=False)
    return DONE


@campaign.command()
@click.argument("label", metavar="SURVEY")
@click.option("--show", "parts", metavar="PARTS",
              help="Print these parts of the balance, as 'oretally balance' does.")  # fmt: skip
@click.option("--full", is_flag=True, help="Print all of the balance, not one screen.")
@click.pass_obj
def show(file: str, label: str, parts: str | None, full: bool) -> int:
    """Show one SURVEY: where it is from, what was decided on it, and its balance."""
    with progress("balancing"):
        with loading():
            from oretally.io.campaign_commands import shown_survey
            from oretally.io.commands.balance import shown_parts

        text, balanced = shown_survey(file, label, shown_parts(parts, full=full))
    click.echo(text, nl=False)
    return DONE if balanced else NOT_BALANCEABLE


@campaign.command()
@click.argument("label", metavar="SURVEY")
@click.argument("what", metavar="WHAT")
@click.option("--of", "of", metavar="STREAM:QUANTITY",
              help="The measurement it is about; left out, the survey as a whole.")  # fmt: skip
@click.option("--why", required=True, help="The reason, in your words.")
@_BY
@click.pass_obj
def decide(file: str, label: str, what: str, of: str | None, why: str, by: str | None) -> int:
    """Note a decision on SURVEY: who, why and when are kept with it.

    'left out' takes the survey, or the measurement, out of all answers of the campaign, and 'taken
    back in' undoes that. Anything else is kept as you write it, 'assayed again', 'scale checked',
    and changes nothing.
    """
    with loading():
        from oretally.io.campaign_commands import noted_decision
        from oretally.io.commands.what_if import named_measurement

    told = noted_decision(file, label, what, of=of, why=why, by=by, named=named_measurement)
    click.echo(told, nl=False)
    return DONE


_WORKERS = click.option("--workers", type=click.IntRange(1, 256), default=1, metavar="N",
                        help="Processes that share the work.")  # fmt: skip


@campaign.command()
@click.option("--suspects", is_flag=True, help="Look for wrong numbers too, which is slower.")
@_WORKERS
@click.option("--cluster", metavar="ADDRESS", help="A Dask cluster: tcp://host:8786.")
@click.pass_obj
def balance(file: str, suspects: bool, workers: int, cluster: str | None) -> int:
    """Balance every survey that has no result yet, and keep what it comes to.

    What was balanced is kept as it comes: stopped in the middle, the next start goes on there. A
    survey without a balance stops no other; it is told at the end, with the reason.
    """
    if cluster is not None and workers > 1:
        raise click.UsageError("Give --workers or --cluster, not both.")
    with progress("reading") as say:
        with loading():
            from oretally.io.campaign_commands import balanced_text

        text, all_balanced = balanced_text(
            file, suspects=suspects, workers=workers, cluster=cluster, say=say
        )
    click.echo(text, nl=False)
    return DONE if all_balanced else NOT_BALANCEABLE


@campaign.command()
@click.option("--csv", type=click.Path(path_type=Path), metavar="FILE", callback=ends_in(".csv"),
              help="Write a table, a row a survey.")  # fmt: skip
@click.option("--parquet", type=click.Path(path_type=Path), metavar="FILE",
              callback=ends_in(".parquet"), help="The same as Parquet.")  # fmt: skip
@click.option("--xlsx", type=click.Path(path_type=Path), metavar="FILE",
              callback=ends_in(".xlsx"),
              help="The same as a workbook, with decisions and corrections.")  # fmt: skip
@click.pass_obj
def export(file: str, csv: Path | None, parquet: Path | None, xlsx: Path | None) -> int:
    """Write what all surveys come to as one table; those without a result are balanced first."""
    if csv is None and parquet is None and xlsx is None:
        raise click.UsageError("Say what to write: --csv FILE, --parquet FILE or --xlsx FILE.")
    with progress("reading") as say:
        with loading():
            from oretally.io.campaign_commands import exported_files

        refuse_overwriting([Path(file)], csv, parquet, xlsx)
        for path, content in exported_files(file, csv=csv, parquet=parquet, xlsx=xlsx, say=say):
            write_whole(path, content)
            click.echo(f"written: {path}", err=True)
    return DONE


@campaign.command()
@_WORKERS
@click.pass_obj
def verify(file: str, workers: int) -> int:
    """Look through the campaign: hashes computed again, surveys read and balanced again."""
    with progress("reading") as say:
        with loading():
            from oretally.io.campaign_commands import verified_text

        text, sound = verified_text(file, workers=workers, say=say)
    click.echo(text, nl=False)
    return DONE if sound else WRONG_INPUT


_JSON = click.option("--json", "json_file", metavar="FILE", callback=ends_in(".json"),
                     help="Write what was found as JSON; - prints it.")  # fmt: skip
_HTML = click.option("--html", type=click.Path(path_type=Path), metavar="FILE",
                     callback=ends_in(".html", ".htm"),
                     help="Write the report with charts: one file, no network needed.")  # fmt: skip
_PDF = click.option("--pdf", type=click.Path(path_type=Path), metavar="FILE",
                    callback=ends_in(".pdf"), help="Write the report as a PDF.")  # fmt: skip
_XLSX = click.option("--xlsx", type=click.Path(path_type=Path), metavar="FILE",
                     callback=ends_in(".xlsx"), help="Write a workbook.")  # fmt: skip
_FULL = click.option("--full", is_flag=True, help="Print all figures, not one screen.")


def _reported(look: Callable[..., CampaignReport]) -> Callable[..., int]:
    """Return the command that shows and writes what a function finds in a campaign."""

    @_JSON
    @_HTML
    @_PDF
    @_XLSX
    @_FULL
    @click.pass_obj
    @wraps(look)
    def command(
        file: str, /, json_file: str | None, html: Path | None, pdf: Path | None,
        xlsx: Path | None, full: bool, **asked: object,
    ) -> int:  # fmt: skip
        with progress("reading") as say:
            with loading():
                from oretally.io.results import refuse_without_typst

            refuse_overwriting([Path(file)], json_file, html, pdf, xlsx)
            if pdf is not None:
                refuse_without_typst()
            report = look(file, say=say, **asked)
            _written(html, report.page)
            _written(pdf, report.pdf)
            _written(xlsx, report.workbook)
            _written(_path(json_file), report.json)
        click.echo(report.json() if json_file == "-" else report.text(full=full), nl=False)
        return DONE

    return command


@campaign.command()
@click.option("--answer", "answers", metavar="ANSWER", multiple=True,
              help="Only answers whose name has these words, such as 'recovery of Sn'. Fewer "
              "answers, sharper verdicts.")  # fmt: skip
@_reported
def trend(file: str, answers: tuple[str, ...], say: Callable[[str], None]) -> CampaignReport:
    """Tell what has changed over time: recovery, heads, mass pull, P80, closures, standards.

    Each with its ±; a change is told if chance does not explain it, of all answers together.
    """
    with loading():
        from oretally.io.campaign_commands import trends_of_campaign
        from oretally.io.campaign_views import trend_report

    return trend_report(trends_of_campaign(file, answers, say=say))


@campaign.command()
@_reported
def bias(file: str, say: Callable[[str], None]) -> CampaignReport:
    """Tell which measurements are off in survey after survey, and which ± are stated wrong.

    By the adjustments of all surveys together: how large, since when, and what no survey can tell
    apart from it.
    """
    with loading():
        from oretally.io.campaign_commands import bias_of, campaign_title
        from oretally.io.campaign_views import bias_report

    return bias_report(bias_of(file, say=say), campaign_title(file))


def _path(json_file: str | None) -> Path | None:
    return None if json_file in (None, "-") else Path(str(json_file))


def _written(path: Path | None, content: Callable[[], str | bytes]) -> None:
    if path is not None:
        write_whole(path, content())
        click.echo(f"written: {path}", err=True)


@campaign.command()
@click.argument("period", metavar="[PERIOD]", required=False)
@click.option("--from", "begin", metavar="TIME", help="The first day, or time, of the period.")
@click.option("--to", "end", metavar="TIME", help="The last day of it; or the time when it ends.")
@click.option("--by", type=click.Choice(["day", "week", "month"]),
              help="Sums of each, beside those of the whole.")  # fmt: skip
@click.option("--common", multiple=True, metavar="NAME",
              help="A source of error that is one and the same in all surveys.")  # fmt: skip
@click.option("--stood-still", is_flag=True,
              help="The plant stood still where surveys are missing: stocks stay.")  # fmt: skip
@click.option("--hours", type=click.FloatRange(min=0.0, min_open=True), metavar="H",
              help="How long each survey ran: for rates.")  # fmt: skip
@click.option("--full", is_flag=True, help="Print all figures, not one screen.")
@click.option("--html", type=click.Path(path_type=Path), metavar="FILE",
              callback=ends_in(".html", ".htm"), help="Write the report.")  # fmt: skip
@click.option("--pdf", type=click.Path(path_type=Path), metavar="FILE", callback=ends_in(".pdf"),
              help="Write the report, to print.")  # fmt: skip
@click.option("--xlsx", type=click.Path(path_type=Path), metavar="FILE", callback=ends_in(".xlsx"),
              help="Write all figures as a workbook.")  # fmt: skip
@click.option("--json", "json_file", metavar="FILE", callback=ends_in(".json"),
              help="Write all figures as JSON; - prints.")  # fmt: skip
@click.pass_obj
def period(
    file: str, period: str | None, begin: str | None, end: str | None, by: str | None,
    common: tuple[str, ...], stood_still: bool, hours: float | None, full: bool,
    html: Path | None, pdf: Path | None, xlsx: Path | None, json_file: str | None,
) -> int:  # fmt: skip
    """Sum the surveys of a PERIOD: a month (2026-03), a week (2026-W10), a day or a year.

    All surveys of it are balanced together: what one leaves in a stockpile the next one finds
    there, and errors that they share do not average out. Check-in, as measured, and check-out, as
    balanced, stand side by side.
    """
    if period is None and begin is None and end is None:
        raise click.UsageError("Name a period, such as 2026-03, or give --from and --to.")
    if period is not None and (begin is not None or end is not None):
        raise click.UsageError("Name a period, or give --from and --to: not both.")
    with progress("balancing"):
        with loading():
            from oretally.io.campaign import open_campaign
            from oretally.io.periods import (
                period_json,
                period_of,
                period_pdf,
                period_report,
                period_text,
                period_workbook,
                read_range,
                read_span,
            )
            from oretally.io.results import refuse_without_typst

        refuse_overwriting([Path(file)], html, pdf, xlsx, json_file)
        if pdf is not None:
            refuse_without_typst()
        span = read_span(period) if period is not None else read_range(begin, end)
        found, title = period_of(
            open_campaign(file), span, by=by, common=common, stood_still=stood_still, hours=hours
        )
        _written(html, lambda: period_report(found, title))
        _written(pdf, lambda: period_pdf(found, title))
        _written(xlsx, lambda: period_workbook(found, title))
        _written(_path(json_file), lambda: period_json(found, title))
    if json_file == "-":
        click.echo(period_json(found, title), nl=False)
    else:
        click.echo(period_text(found, title, file, full=full), nl=False)
    return DONE
