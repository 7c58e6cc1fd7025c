"""A campaign: surveys as given, decisions on them, results with the version that made them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa

import oretally.io.campaign.schema as t
from oretally.flowsheet import Circuit, Fault, InputError, Place
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.survey import DatedSurvey, without_measurement
from oretally.io.campaign.adding import current_of, insert_survey, now
from oretally.io.campaign.database import Database, open_database
from oretally.io.campaign.entries import Added, Decision, SurveyEntry, entry_of
from oretally.io.campaign.given import GivenSurvey, case_of
from oretally.io.case import Case

__all__ = ["LEAVE_OUT", "TAKE_BACK", "Campaign", "open_campaign"]

LEAVE_OUT, TAKE_BACK = "left out", "taken back in"
_TOGETHER = 200  # surveys added in one transaction, and looked for in one question


def open_campaign(where: str | Path, *, create: bool = False) -> Campaign:
    """Open a campaign.

    Parameters
    ----------
    where : str or Path
        A file, or the URL of a PostgreSQL database.
    create : bool
        Whether it is made if it is not there.

    Raises
    ------
    InputError
        If there is none, it is none, it is damaged, or a newer oretally wrote it.
    """
    return Campaign(open_database(where, create=create))


class Campaign:
    """Many surveys in one database; nothing in it is changed, only added.

    Parameters
    ----------
    database : Database
    """

    def __init__(self, database: Database) -> None:
        self.database = database
        self._circuits: dict[str, Circuit] = {}

    @property
    def name(self) -> str:
        """The file or URL."""
        return self.database.name

    def entries(self, *, every: bool = False) -> tuple[SurveyEntry, ...]:
        """Return the surveys in order of time, then those whose time was not said, as added.

        Those that others correct are there only if ``every`` one is asked for; those that are left
        out by decision always are.
        """
        with self.database.reading() as connection:
            rows = connection.execute(sa.select(t.surveys).order_by(t.surveys.c.number)).all()
        old = {row.supersedes for row in rows if row.supersedes is not None}
        found = [entry_of(row, current=row.number not in old) for row in rows]
        found = [e for e in found if every or e.current]
        dated = [e for e in found if e.time is not None]
        dated.sort(key=lambda e: (e.time, e.number))  # all with an offset from UTC, or none
        return (*dated, *(e for e in found if e.time is None))

    def entry(self, label: str) -> SurveyEntry:
        """Return the current survey of a label, spelt in capitals or not.

        Raises
        ------
        InputError
            If there is none.
        """
        entries = self.entries()
        found = [e for e in entries if e.label == label]
        found = found or [e for e in entries if fold_name(e.label) == fold_name(label)]
        if len(found) != 1:
            mend = did_you_mean(label, [e.label for e in entries], "Surveys")
            problem = f"There is no survey '{label}' in the campaign."
            raise InputError([Fault(problem, mend, Place(file=self.name))])
        return found[0]

    def history(self, entry: SurveyEntry) -> tuple[SurveyEntry, ...]:
        """Return a survey and those that it corrects, one after the other, the newest first."""
        by_number = {e.number: e for e in self.entries(every=True)}
        found = [entry]
        while found[-1].supersedes is not None:
            found.append(by_number[found[-1].supersedes])
        return tuple(found)

    def files(self, numbers: Sequence[int]) -> Iterator[tuple[int, dict[str, bytes]]]:
        """Yield the number and the files of surveys, as `GivenSurvey.files`."""
        joined = t.survey_files.join(t.files)
        for i in range(0, len(numbers), _TOGETHER):
            part = numbers[i : i + _TOGETHER]
            query = (
                sa.select(t.survey_files.c.survey, t.survey_files.c.name, t.files.c.content)
                .select_from(joined)
                .where(t.survey_files.c.survey.in_(part))
                .order_by(t.survey_files.c.survey, t.survey_files.c.name)
            )
            found: dict[int, dict[str, bytes]] = {number: {} for number in part}
            with self.database.reading() as connection:
                for number, name, content in connection.execute(query):
                    found[number][name] = bytes(content)
            yield from found.items()

    def case(self, entry: SurveyEntry) -> Case:
        """Read the case of a survey again, as it was given.

        Raises
        ------
        InputError
            If this version refuses what an earlier one took.
        """
        ((_, files),) = self.files([entry.number])
        return case_of(files, entry.label, source=entry.source, place=entry.place)

    def dated_surveys(self) -> tuple[DatedSurvey, ...]:
        """Return the current surveys in order of time, without what is left out by decision.

        Those of one circuit have one `Circuit`. Surveys whose time was not said come last.

        Raises
        ------
        InputError
            If this version refuses what an earlier one took.
        """
        faults: list[Fault] = []
        found = []
        for _, survey, error in self.read_surveys():
            if survey is not None:
                found.append(survey)
            elif error is not None:
                faults.extend(error.faults)
        if faults:
            raise InputError(faults)
        return tuple(found)

    def read_surveys(
        self,
    ) -> Iterator[tuple[SurveyEntry, DatedSurvey | None, InputError | None]]:
        """Yield the current surveys one by one as `dated_surveys`; or why there is none."""
        for entry, dated, _, error in self.read_cases():
            yield entry, dated, error

    def read_cases(
        self, entries: Sequence[SurveyEntry] | None = None
    ) -> Iterator[tuple[SurveyEntry, DatedSurvey | None, Case | None, InputError | None]]:
        """Yield the current surveys, or some, with their cases as given; or why they have none.

        A survey that is left out as a whole is not among them.
        """
        entries = self.entries() if entries is None else entries
        out = self.left_out()
        kept = [e for e in entries if ("", "") not in out.get(e.number, ())]
        for entry, (_, files) in zip(kept, self.files([e.number for e in kept]), strict=True):
            try:
                case = case_of(files, entry.label)
            except InputError as error:
                yield entry, None, None, error
                continue
            survey = case.survey
            for stream, quantity in sorted(out.get(entry.number, ())):
                survey = without_measurement(survey, stream, quantity)
            circuit = self._circuits.setdefault(entry.circuit, case.circuit)
            dated = DatedSurvey(entry.label, entry.time, circuit, survey, entry.kind)
            yield entry, dated, case, None

    def add(
        self, given: Iterable[GivenSurvey], *, by: str, correct: bool = False, why: str = "",
    ) -> list[Added]:  # fmt: skip
        """Add surveys, some hundred at a time: each of them whole, or not at all.

        Parameters
        ----------
        given : iterable of GivenSurvey
        by : str
            Who adds them.
        correct : bool
            Whether one of a label that is there already corrects it; both stay.
        why : str
            Of the corrections.

        Raises
        ------
        InputError
            If a survey of the label is there and differs, and is not to be corrected; those before
            it may have been added.
        """
        found, part = list[Added](), list[GivenSurvey]()
        for survey in given:
            part.append(survey)
            if len(part) == _TOGETHER:
                found += self._add(part, by=by, correct=correct, why=why)
                part = []
        return found + (self._add(part, by=by, correct=correct, why=why) if part else [])

    def _add(
        self, given: Sequence[GivenSurvey], *, by: str, correct: bool, why: str
    ) -> list[Added]:
        added = list[Added]()
        with self.database.writing() as connection:
            there = current_of(connection, [g.label for g in given])
            self._refuse(connection, given, there, correct=correct)
            for survey in given:
                before = there.get(survey.label)
                if before is not None and before[1] == survey.hash:
                    added.append(Added(survey.label, new=False, corrects=False))
                    continue
                corrects = before[0] if before is not None else None
                number = insert_survey(connection, survey, corrects, by=by, why=why)
                there[survey.label] = number, survey.hash
                added.append(Added(survey.label, new=True, corrects=corrects is not None))
        return added

    def _refuse(
        self, connection: sa.Connection, given: Sequence[GivenSurvey],
        there: Mapping[str, tuple[int, str]], *, correct: bool,
    ) -> None:  # fmt: skip
        faults = []
        some = connection.execute(
            sa.select(t.surveys.c.time).where(t.surveys.c.time.is_not(None)).limit(1)
        ).scalar()
        zoned = None if some is None else datetime.fromisoformat(some).tzinfo is not None
        for survey in given:
            place = Place(file=survey.source, cell=survey.place)
            before = there.get(survey.label)
            if before is not None and before[1] != survey.hash and not correct:
                problem = f"The campaign has another survey '{survey.label}'."
                mend = (
                    "If this one corrects it, add it with --correct and --why; both stay.\n"
                    "If it is another survey, give it another label."
                )
                faults.append(Fault(problem, mend, place))
            if survey.time is not None:
                own = survey.time.tzinfo is not None
                if zoned is not None and own != zoned:
                    has, others = ("an", "no") if own else ("no", "an")
                    problem = f"The time of '{survey.label}' has {has} offset from UTC, and those "
                    problem += f"of other surveys have {others} offset."
                    faults.append(Fault(problem, "Write all of them in one way.", place))
                zoned = own if zoned is None else zoned
        if faults:
            raise InputError(faults)

    def decide(
        self, entry: SurveyEntry, what: str, *, why: str, by: str, stream: str = "",
        quantity: str = "",
    ) -> Decision:  # fmt: skip
        """Note a decision on a survey, or on one measurement of it."""
        at = now()
        with self.database.writing() as connection:
            connection.execute(
                t.decisions.insert().values(
                    survey=entry.number, stream=stream, quantity=quantity, what=what, why=why,
                    decided_by=by, decided_at=at,
                )
            )  # fmt: skip
        return Decision(entry.number, stream, quantity, what, why, by, at)

    def decisions(self) -> tuple[Decision, ...]:
        """Return all decisions, in the order in which they were noted."""
        c = t.decisions.c
        columns = (c.survey, c.stream, c.quantity, c.what, c.why, c.decided_by, c.decided_at)
        with self.database.reading() as connection:
            rows = connection.execute(sa.select(*columns).order_by(c.number)).all()
        return tuple(Decision(*row) for row in rows)

    def left_out(self) -> dict[int, frozenset[tuple[str, str]]]:
        """Return what is left out by decision: stream and quantity by number of the survey.

        Both are empty where it is the survey as a whole. What was decided last counts.
        """
        last: dict[int, dict[tuple[str, str], bool]] = {}
        for d in self.decisions():
            if d.what in (LEAVE_OUT, TAKE_BACK):
                last.setdefault(d.survey, {})[d.stream, d.quantity] = d.what == LEAVE_OUT
        return {
            number: frozenset(name for name, out in each.items() if out)
            for number, each in last.items()
            if any(each.values())
        }
