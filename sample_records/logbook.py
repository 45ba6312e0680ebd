"""One aircraft's year: flights, boots and task records, kept plausible while the story is told.

Time only moves forward, the aircraft takes off from where it landed, and work is done where it
stands, by its own technician. All instants inside are UTC; a task record gets its station's way of
writing time when it is written out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from sample_records.reference import (
    APPLY_GLOSS,
    CALLED_IN_AT,
    CARE_CALENDAR,
    CLEAN,
    FIRST_DAY,
    FLEET,
    FLIGHT_TENTHS,
    FLIGHTS_A_DAY,
    GLOSS_COATS,
    INSPECT,
    INSTALL,
    LOTS,
    MANUALS,
    PAUSE_MINUTES,
    PEOPLE,
    POSITIONS,
    PPE_WORN,
    PREPARE,
    PRESERVATIVE,
    PRESERVATIVE_COATS,
    PRESERVE,
    PROTECT,
    REMOVE,
    SEASON,
    STATIONS,
    TAKEOFF_MINUTES,
    TREAT,
    TREATMENT,
    TREATMENT_LIMIT,
    TRIP_TENTHS,
    Aircraft,
    Rubber,
    Step,
)

ALL = POSITIONS
CURE = timedelta(hours=24)
BETWEEN_STEPS = timedelta(minutes=10)
TO_SIGNATURE = timedelta(minutes=10)


def hours(number: float) -> timedelta:
    """That many hours, to the minute."""
    return timedelta(minutes=round(number * 60))


def in_season(instant: datetime) -> bool:
    """Whether an instant lies in the icing season."""
    return SEASON[0] <= instant < SEASON[1]


@dataclass(frozen=True)
class Flight:
    """A row of the flights table; `miswritten` cells replace the right ones on writing."""

    flight_id: str
    aircraft: str
    takeoff_at: datetime
    landing_at: datetime
    origin: str
    destination: str
    flight_hours: str
    cycles: str
    miswritten: Mapping[str, str] = field(default_factory=dict)

    @property
    def record_id(self) -> str:
        """What the record is called in the documents."""
        return self.flight_id


@dataclass(frozen=True)
class Task:
    """A row of the tasks table; blank where the record says nothing.

    `clock_goes_back` allows a wall-clock time that occurs twice; `miswritten` cells replace the
    right ones on writing.
    """

    task_id: str
    work_order: str
    aircraft: str
    action: str
    station: str
    started_at: datetime
    finished_at: datetime
    status: str = "closed"
    position: str = ""
    component_serial: str = ""
    product: str = ""
    lot: str = ""
    coat: str = ""
    coats: str = ""
    performed_by: str = ""
    certified_by: str = ""
    certificate_number: str = ""
    certificate_kind: str = ""
    signed_at: datetime | None = None
    description: str = ""
    manual: str = ""
    manual_revision: str = ""
    ppe_worn: str = ""
    ppe_signed_by: str = ""
    steps_signed: str = ""
    material_recorded: str = ""
    ambient_c: str = ""
    humidity_pct: str = ""
    remarks: str = ""
    clock_goes_back: bool = False
    miswritten: Mapping[str, str] = field(default_factory=dict)

    @property
    def record_id(self) -> str:
        """What the record is called in the documents."""
        return self.task_id

    @property
    def positions(self) -> tuple[str, ...]:
        """The positions that the record is for, one by one."""
        return POSITIONS if self.position == "all" else tuple(self.position.split("; "))


@dataclass(frozen=True)
class Correction:
    """A row of the corrections table. `exported` is what the export has in the cell: `was` unless told otherwise."""

    correction_id: str
    task: Task
    column: str
    was: str | datetime
    now: str | datetime
    made_by: str
    made_at: datetime
    signed_by: str
    reason: str
    exported: str | datetime

    @property
    def record_id(self) -> str:
        """What the correction is called in the documents."""
        return self.correction_id

    @property
    def aircraft(self) -> str:
        """The aircraft of its record."""
        return self.task.aircraft


@dataclass
class Boot:
    """One boot at one position, with the times that the component history gives for it."""

    serial: str
    aircraft: str
    position: str
    rubber: Rubber
    installed_at: datetime
    removed_at: datetime | None = None


@dataclass
class Segment:
    """What a boot has flown in the season since its treatment, season start or installation."""

    since: Task | None = None
    tenths: int = 0
    exceeded_by: Flight | None = None


@dataclass(frozen=True)
class Preserved:
    """A boot that came off with fresh preservative, and its coats."""

    boot: Boot
    coats: tuple[Task, ...]


class Logbook:
    """The records of one aircraft, written day by day; `shelf` holds what it left for others of the fleet."""

    def __init__(self, aircraft: Aircraft, shelf: dict[str, Preserved] | None = None) -> None:
        self.aircraft = aircraft
        self.shelf = {} if shelf is None else shelf
        self.station = aircraft.home
        self.now = FIRST_DAY
        self.cured_at = FIRST_DAY
        self.flights: list[Flight] = []
        self.tasks: list[Task] = []
        self.boots: list[Boot] = []
        self.corrections: list[Correction] = []
        self.fitted: dict[str, Boot] = {}
        self.segments: dict[str, Segment] = {}
        self._orders = 0
        # Where in the rounds of days this aircraft begins: the fleet doesn't fly in step.
        self._turn = FLEET.index(aircraft)
        self._care_due = list(CARE_CALENDAR)
        for position, rubber in aircraft.boots.items():
            self._fit(position, rubber, FIRST_DAY - timedelta(days=400))

    # -- what can be done with the aircraft -------------------------------------------------------

    def local(self, wall_clock: str) -> datetime:
        """The instant at which the station's clock first shows `YYYY-MM-DD HH:MM`."""
        zone = STATIONS[self.station].zone
        naive = datetime.fromisoformat(wall_clock)
        instant = naive.replace(tzinfo=zone).astimezone(UTC)
        assert instant.astimezone(zone).replace(tzinfo=None) == naive, f"{wall_clock} never occurred"
        return instant

    def fly(self, takeoff: datetime, flown: float, to: str | None = None, **miswritten: str) -> Flight:
        """Fly for `flown` hours, back to the same station unless told otherwise."""
        assert takeoff >= self.now, f"{self.aircraft.mark} isn't free at {takeoff}"
        tenths = round(flown * 10)
        number = len(self.flights) + 1
        flight = Flight(
            flight_id=f"F-{self.aircraft.code}-{number:03}",
            aircraft=self.aircraft.mark,
            takeoff_at=takeoff,
            landing_at=takeoff + timedelta(minutes=6 * tenths),
            origin=self.station,
            destination=to or self.station,
            # Now and then the crew leaves the derived cells blank.
            flight_hours="" if number % 9 == 0 else f"{tenths / 10:.1f}",
            cycles="" if number % 7 == 0 else "1",
            miswritten=miswritten,
        )
        self.flights.append(flight)
        self.station = flight.destination
        self.now = flight.landing_at
        if in_season(takeoff):
            for segment in self.segments.values():
                segment.tenths += tenths
                if segment.tenths > TREATMENT_LIMIT and segment.exceeded_by is None:
                    segment.exceeded_by = flight
        return flight

    def correct(
        self,
        task: Task,
        column: str,
        was: str | datetime,
        now: str | datetime,
        made_at: datetime,
        reason: str,
        exported: str | datetime | None = None,
        **people: str,
    ) -> Correction:
        """Correct an entry: the record was first made with `was`; its certifier corrects and signs unless told
        otherwise."""
        by = {"made_by": task.certified_by, "signed_by": people.get("made_by", task.certified_by)} | people
        number = len(self.corrections) + 1
        made = Correction(
            correction_id=f"K-{self.aircraft.code}-{number:02}",
            task=task,
            column=column,
            was=was,
            now=now,
            made_at=made_at,
            reason=reason,
            exported=was if exported is None else exported,
            **by,
        )
        self.corrections.append(made)
        return made

    def visit(self, start: str | datetime) -> Visit:
        """Open a work order where the aircraft stands; a text is the station's wall clock."""
        self._orders += 1
        instant = self.local(start) if isinstance(start, str) else start
        return Visit(self, f"WO-{self.aircraft.code}-{self._orders:02}", instant)

    def routine(self, until: str) -> None:
        """Fly and care for the aircraft as planned, up to the day before `until` (local date)."""
        day = self._next_free_day()
        while day < date.fromisoformat(until):
            if not self._care(day):
                self._fly_day(day, trips=True)
            day = max(day + timedelta(days=1), self._next_free_day())

    def fly_on(self, position: str, until_hours: float) -> None:
        """Fly without care until this boot has exactly these hours since its treatment."""
        target = round(until_hours * 10)
        day = self._next_free_day()
        while self.segments[position].tenths < target:
            self._fly_day(day, trips=False, position=position, target=target)
            day += timedelta(days=1)
        assert self.segments[position].tenths == target

    def unlogged(self, until: str) -> None:
        """Nothing of the time before a day (local date) is in the flight log."""
        self.now = self.local(f"{until} 00:00")

    def first_flight(self, since: datetime) -> Flight:
        """The first flight that took off at that instant or later."""
        return next(flight for flight in self.flights if flight.takeoff_at >= since)

    def last_treatment(self, position: str) -> Task:
        """The ice-adhesion treatment that the boot at a position flies with."""
        treatment = self.segments[position].since
        assert treatment, f"{self.aircraft.mark} {position} hasn't been treated"
        return treatment

    def preservable(self) -> tuple[str, ...]:
        """The positions whose boots may have rubber preservative."""
        return tuple(
            position
            for position, boot in self.fitted.items()
            if (boot.rubber.material, boot.rubber.finish) == ("chloroprene", "black")
        )

    # -- what a day is made of --------------------------------------------------------------------

    def _next_free_day(self) -> date:
        """The first local date that begins with nothing going on and nothing curing."""
        free = max(self.now, self.cured_at).astimezone(STATIONS[self.station].zone)
        return free.date() + timedelta(days=1)

    def _at(self, day: date, hour: int, minute: int = 0) -> datetime:
        """The instant of a wall-clock time at home."""
        zone = STATIONS[self.aircraft.home].zone
        return datetime.combine(day, time(hour, minute), zone).astimezone(UTC)

    def _care(self, day: date) -> bool:
        """Do what is due on this day; say whether anything was."""
        morning = self._at(day, 9)
        if in_season(morning):
            untreated = any(segment.since is None for segment in self.segments.values())
            flown = max(segment.tenths for segment in self.segments.values())
            if untreated or flown >= CALLED_IN_AT:
                visit = self.visit(morning)
                visit.inspect()
                visit.clean()
                visit.treat()
                return True
        elif self._care_due and day >= date.fromisoformat(self._care_due[0][0]):
            _, kind = self._care_due.pop(0)
            visit = self.visit(morning)
            visit.inspect()
            visit.clean()
            if kind == "protect":
                visit.protect()
                return True
            visit.prepare()
            if self.preservable():
                visit.preserve(self.preservable())
                visit.wait(CURE + hours(0.5))
            visit.gloss()
            return True
        return False

    def _fly_day(self, day: date, *, trips: bool, position: str = "", target: int = 0) -> None:
        """Fly what the round of days says, but a boot named no further than `target` tenths."""
        flights = FLIGHTS_A_DAY[(day.toordinal() + self._turn) % len(FLIGHTS_A_DAY)]
        if trips and flights == 2:
            self._trip(day)
            return
        for hour in (8, 14)[:flights]:
            number = len(self.flights) + self._turn
            tenths = FLIGHT_TENTHS[number % len(FLIGHT_TENTHS)]
            if position:
                left = target - self.segments[position].tenths
                # No hop shorter than half an hour just to make the sum come out.
                tenths = left if left < tenths + 5 else tenths
            if tenths:
                minute = TAKEOFF_MINUTES[number % len(TAKEOFF_MINUTES)]
                self.fly(self._at(day, hour, minute), tenths / 10)

    def _trip(self, day: date) -> None:
        """Out to the other station, a look at the boots there, and home."""
        self.fly(self._at(day, 8, 5), TRIP_TENTHS / 10, to=self.aircraft.away)
        self.visit(self.now + hours(0.7)).inspect()
        self.fly(self._at(day, 15, 5), TRIP_TENTHS / 10, to=self.aircraft.home)

    # -- what the shop writes down ----------------------------------------------------------------

    def enter(self, task: Task) -> None:
        """Enter a task record; if its work counts as done, remember what it did to the boots."""
        self.tasks.append(task)
        self.now = max(self.now, task.finished_at)
        if task.status != "closed" or task.action != "apply" or task.miswritten:
            return
        if task.product == PRESERVATIVE.product:
            self.cured_at = task.finished_at + CURE
        if task.product == TREATMENT.product:
            for position in task.positions:
                self.segments[position] = Segment(since=task)

    def swap(self, position: str, new: Rubber | Boot, removed_at: datetime, installed_at: datetime) -> None:
        """Another boot takes the place of the one at `position`: a new one, or one that came off another aircraft."""
        self.fitted[position].removed_at = removed_at
        if isinstance(new, Rubber):
            self._fit(position, new, installed_at)
        else:
            self._put_on(replace(new, position=position, installed_at=installed_at, removed_at=None))

    def exchange(self, removed_at: Mapping[str, datetime], installed_at: datetime) -> None:
        """The boots of two positions change places, and take along what was done to them and flown with them."""
        one, other = removed_at
        for position, at in removed_at.items():
            self.fitted[position].removed_at = at
        moved = {one: self.fitted[other], other: self.fitted[one]}
        self.segments |= {one: self.segments[other], other: self.segments[one]}
        for position, boot in moved.items():
            self.fitted[position] = replace(boot, position=position, installed_at=installed_at, removed_at=None)
            self.boots.append(self.fitted[position])

    def _fit(self, position: str, rubber: Rubber, installed_at: datetime) -> None:
        serial = f"B-{self.aircraft.code}-{len(self.boots) + 1:02}"
        self._put_on(Boot(serial, self.aircraft.mark, position, rubber, installed_at))

    def _put_on(self, boot: Boot) -> None:
        self.fitted[boot.position] = replace(boot, aircraft=self.aircraft.mark)
        self.boots.append(self.fitted[boot.position])
        self.segments[boot.position] = Segment()


class Visit:
    """One work order: its steps follow each other on a clock of its own.

    Keywords are task-record cells that replace what the shop would have written.
    """

    def __init__(self, book: Logbook, order: str, start: datetime) -> None:
        assert start >= book.now, f"{book.aircraft.mark} isn't free at {start}"
        self.book = book
        self.order = order
        self.clock = start

    def inspect(self, positions: Iterable[str] = ALL, **cells: Any) -> Task:
        """Look the boots over; no product is used."""
        return self.step(INSPECT, positions, **cells)

    def clean(self, positions: Iterable[str] = ALL, **cells: Any) -> Task:
        """Wash the boots with the cleaner."""
        return self.step(CLEAN, positions, **cells)

    def prepare(self, positions: Iterable[str] = ALL, **cells: Any) -> Task:
        """Strip residual coatings with the surface prep."""
        return self.step(PREPARE, positions, **cells)

    def preserve(self, positions: Iterable[str], **cells: Any) -> tuple[Task, ...]:
        """Apply the rubber preservative, one record a coat."""
        return self.coats(PRESERVE, (PAUSE_MINUTES,) * (PRESERVATIVE_COATS - 1), positions, **cells)

    def preserve_in_one_record(self, positions: Iterable[str], **cells: Any) -> Task:
        """Apply the rubber preservative, one record standing for all coats."""
        minutes = PRESERVATIVE_COATS * (PRESERVE.minutes + PAUSE_MINUTES) - PAUSE_MINUTES
        step = replace(PRESERVE, minutes=minutes, description="rubber preservative, three even coats")
        return self.step(step, positions, coats=str(PRESERVATIVE_COATS), **cells)

    def gloss(self, positions: Iterable[str] = ALL, **cells: Any) -> tuple[Task, ...]:
        """Apply the gloss coating, one record a coat."""
        return self.coats(APPLY_GLOSS, (PAUSE_MINUTES,) * (GLOSS_COATS - 1), positions, **cells)

    def protect(self, positions: Iterable[str] = ALL, **cells: Any) -> Task:
        """Apply the surface protectant."""
        return self.step(PROTECT, positions, **cells)

    def treat(self, positions: Iterable[str] = ALL, **cells: Any) -> Task:
        """Apply the ice-adhesion treatment."""
        return self.step(TREAT, positions, **cells)

    def swap(
        self,
        position: str,
        new: Rubber | Boot,
        *,
        removal_recorded_late: timedelta = timedelta(0),
        installation_recorded_late: timedelta = timedelta(0),
    ) -> tuple[Task, Task]:
        """Replace the boot at a position; the component history may date either end too late."""
        removal = self.step(REMOVE, [position])
        self.book.swap(
            position,
            new,
            removal.finished_at + removal_recorded_late,
            self.clock + installation_recorded_late,
        )
        return removal, self.step(INSTALL, [position])

    def exchange(self, one: str, other: str) -> tuple[Task, Task]:
        """Have the boots of two positions change places; returns the records of their installation."""
        removed = {position: self.step(REMOVE, [position]).finished_at for position in (one, other)}
        self.book.exchange(removed, self.clock)
        return self.step(INSTALL, [one]), self.step(INSTALL, [other])

    def wait(self, pause: timedelta) -> None:
        """Let time pass after the last step."""
        self.resume(self.book.tasks[-1].finished_at + pause)

    def resume(self, instant: datetime) -> None:
        """Start the next step at this instant."""
        assert instant >= self.book.now
        self.clock = instant

    def step(self, step: Step, positions: Iterable[str], **cells: Any) -> Task:
        """Enter one step of the work; the next starts ten minutes later unless told otherwise."""
        task = self._record(step, tuple(positions), cells)
        self.book.enter(task)
        self.clock = task.finished_at + BETWEEN_STEPS
        return task

    def coats(self, step: Step, pauses: Sequence[int], positions: Iterable[str], **cells: Any) -> tuple[Task, ...]:
        """Apply one coat more than there are pauses (minutes) between them, one record a coat."""
        fitted = tuple(positions)
        coats = [self.step(step, fitted, **{"coat": "1", **cells})]
        for coat, pause in enumerate(pauses, start=2):
            self.wait(timedelta(minutes=pause))
            coats.append(self.step(step, fitted, **{"coat": str(coat), **cells}))
        return tuple(coats)

    def _record(self, step: Step, positions: tuple[str, ...], cells: Mapping[str, Any]) -> Task:
        """The record as the shop writes it when it writes it well, with `cells` replaced."""
        book = self.book
        station = STATIONS[book.station]
        number = len(book.tasks) + 1
        finished_at = self.clock + timedelta(minutes=step.minutes)
        day = self.clock.astimezone(station.zone).date().isoformat()
        certifier = next(
            person
            for person in PEOPLE
            if person.person == station.certifier and person.valid_from <= day <= person.valid_to
        )
        manual = next(
            manual
            for manual in MANUALS
            if manual.effective_from <= day and (not manual.superseded_on or day < manual.superseded_on)
        )
        boots = [book.fitted[position] for position in positions]
        task = Task(
            task_id=f"T-{book.aircraft.code}-{number:03}",
            work_order=self.order,
            aircraft=book.aircraft.mark,
            action=step.action,
            station=book.station,
            started_at=self.clock,
            finished_at=finished_at,
            # Both ways of saying it occur in exports: a blank status is a closed record.
            status="closed" if step.product else "",
            position="all" if positions == ALL else "; ".join(positions),
            component_serial=boots[0].serial if len(boots) == 1 else "",
            performed_by=book.aircraft.technician,
            certified_by=certifier.person,
            certificate_number=certifier.certificate_number,
            certificate_kind=certifier.certificate_kind,
            signed_at=finished_at + TO_SIGNATURE,
            description=step.description,
            manual=manual.manual,
            manual_revision=manual.revision,
            steps_signed=step.steps_signed,
            ambient_c=("17", "18.5", "19", "18")[number % 4],
            humidity_pct=("42", "48", "51", "45", "39")[number % 5],
        )
        if step.product:
            lot = max(
                (lot for lot in LOTS if lot.product == step.product.product and lot.opened_on <= day),
                key=lambda lot: lot.opened_on,
            )
            materials = {boot.rubber.material for boot in boots}
            task = replace(
                task,
                product=step.product.product,
                lot=lot.lot,
                ppe_worn=PPE_WORN,
                ppe_signed_by=task.performed_by,
                # One cell can't name two materials.
                material_recorded=materials.pop() if len(materials) == 1 else "",
            )
        return replace(task, **cells)
