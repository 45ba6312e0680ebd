"""Boots' time on their aircraft, season by season, what was flown with them, and the treatments of that time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.evidence.columns import Columns, first_of_each, matching
from audit.evidence.conditions import FALSE, judge
from audit.evidence.doubt import CERTAIN, Rank, first_of, reasons_of
from audit.evidence.seasons import season_doubt, seasons_of
from audit.evidence.sessions import Sessions
from audit.evidence.treatments import NO_BOOT, doubt_of, everything, of_one_boot, perhaps_of_one_boot
from audit.language.condition import Conditions
from audit.language.events import Season
from audit.timeline.instants import FOREVER, NEVER, Bools, Ints, expand, group_begins
from audit.timeline.timeline import Timeline


@dataclass(frozen=True)
class BootTime(Columns):
    """Each boot's time, from its first installation to its last removal, cut into seasons.

    `start` is the later of the season's and the boot's installation, `end` (excluded) the earlier of the season's end
    and the boot's removal, wherever the export begins and ends. Within the export it is [`known_start`, `known_end`);
    by rows set aside it may be as long as [`perhaps_start`, `perhaps_end`), of which the end lies within the export.
    `component` and `place` are those of the boot's last stay in that time, `named_at` is the place of its first.
    `doubt` is the number of the reason why the boot may be none of those asked about, `ended` that of why its time may
    have ended earlier.
    """

    boot: Ints
    component: Ints
    place: Ints
    named_at: Ints
    start: Ints
    end: Ints
    known_start: Ints
    known_end: Ints
    perhaps_start: Ints
    perhaps_end: Ints
    doubt: Ints
    ended: Ints


def boot_time(timeline: Timeline, boots: Conditions, season: Season | None) -> BootTime:
    """The time of the boots asked about, season by season; without a season, from the export's first instant on."""
    history = timeline.components
    rows = np.flatnonzero(timeline.in_play[timeline.aircraft_of(history.place)])
    # Asked of each stay by itself: the history may say another finish of a boot from its next installation on.
    judged = judge(boots, timeline, rows, rows)
    kept = np.flatnonzero(judged.truth != FALSE)
    index, _, opens, closes = seasons_of(season, timeline, timeline.aircraft_of(history.place[rows[kept]]))
    if season is None:
        opens = np.full(len(opens), NEVER)
    # From here on a row for each stay and season.
    stay = rows[kept][index]
    start, end = np.maximum(history.installed[stay], opens), np.minimum(history.removed[stay], closes)
    # At an as-of time before all that the export tells of, nothing is known of any boot.
    begun = np.maximum(start, timeline.since) <= timeline.as_of
    known = begun & (end > timeline.since)
    there = np.flatnonzero((start < end) & known)
    earliest = _earliest(history.boot[stay], opens, history.installed[stay], start < end)[there]
    named_at, earliest = history.place[stay[earliest]], start[earliest]
    stay, opens, closes = stay[there], opens[there], closes[there]
    start, end = start[there], end[there]
    doubt = doubt_of(reasons_of(timeline), judged, kept)[index][there]
    unset = season_doubt(season, timeline, timeline.aircraft_of(history.place[stay]))
    # Which of the two the hours and treatments of a boot recorded at two places at once are of is not known.
    doubt = first_of(unset, doubt, reasons_of(timeline).where(history.twice[stay], NO_BOOT))
    # A boot that was taken off and put back, here or elsewhere, is still the same in its season.
    order = np.lexsort((start, opens, history.boot[stay]))
    boot, opens = history.boot[stay][order], opens[order]
    new = group_begins(boot, opens)
    # And from here on a row for each boot and season, over all its stays in it.
    first = np.flatnonzero(new)
    if not len(first):
        none = np.empty(0, np.int64)
        return BootTime(*[none] * 12)
    last = order[np.append(first[1:], len(order)) - 1]
    start, end = start[order][first], np.maximum.reduceat(end[order], first)
    known_end = np.minimum(end, timeline.as_of + 1)
    seasons = (opens[first], closes[order][first])
    perhaps_start, perhaps_end = _possible_time(timeline, boot[first], seasons, (earliest[order][first], known_end))
    return BootTime(
        boot=boot[first],
        component=stay[last],
        place=history.place[stay[last]],
        named_at=named_at[order][first],
        start=earliest[order][first],
        end=end,
        known_start=np.maximum(start, timeline.since),
        # The as-of time itself belongs to what is known: it closes a boot's time one microsecond later.
        known_end=known_end,
        perhaps_start=perhaps_start,
        perhaps_end=perhaps_end,
        doubt=np.maximum.reduceat(doubt[order], first),
        ended=np.where(np.isin(boot[first], history.boot[history.open_ended]), removal_unknown(timeline), CERTAIN),
    )


def _earliest(boot: Ints, season: Ints, installed: Ints, there: Bools) -> Ints:
    """For each stay the first of those of its boot that lie in its season (`there`), before the export begins too."""
    seasons, season_of = np.unique(np.stack((boot, season)), axis=1, return_inverse=True)
    season_of, real = season_of.ravel(), np.flatnonzero(there)
    opening = np.zeros(seasons.shape[1], np.int64)
    begins = real[first_of_each(season_of[real], installed[real])]
    opening[season_of[begins]] = begins
    found: Ints = opening[season_of]
    return found


def _possible_time(
    timeline: Timeline, boot: Ints, season: tuple[Ints, Ints], time: tuple[Ints, Ints]
) -> tuple[Ints, Ints]:
    """From when to when each boot's time in its season may have lasted by rows set aside, within the export's end."""
    possible, (start, end) = timeline.components.possible, (side.copy() for side in time)
    which, stay = possible.of(boot)
    opens = np.maximum(possible.start[stay], season[0][which])
    closes = np.minimum(np.minimum(possible.end[stay], season[1][which]), timeline.as_of + 1)
    real = opens < closes
    np.minimum.at(start, which[real], opens[real])
    np.maximum.at(end, which[real], closes[real])
    return start, end


def removal_unknown(timeline: Timeline) -> int:
    """The number of the reason for doubt where it isn't known when a boot was removed."""
    if "removed_at" in timeline.tables["components"]:
        return reasons_of(timeline).number(Rank.UNREADABLE, "can't be read: components.removed_at")
    return reasons_of(timeline).number(Rank.NOT_SUPPLIED, "column not supplied: components.removed_at")


def flown_on_swap_days(timeline: Timeline, total: Ints, boot: Ints, start: Ints, end: Ints) -> tuple[Ints, Ints]:
    """How much less, and how much more, may have been flown with each boot in a stretch of its time, since a day of its
    installation or removal in it is recorded without a time.

    `total` is a running total over the flights with a leading 0.
    """
    history, flights = timeline.components, timeline.flights
    less, more = np.zeros(len(boot), np.int64), np.zeros(len(boot), np.int64)
    # A boot that was put on earlier flew more, and one that came off earlier less.
    for earlier, later, first, recorded, last in (
        # Installations: between the earliest and the recorded instant more, from there to the latest less.
        (more, less, history.perhaps[0], history.installed, history.surely[0]),
        # Removals: between the earliest and the recorded instant less, from there to the latest more.
        (less, more, history.surely[1], history.removed, history.perhaps[1]),
    ):
        stay = np.flatnonzero(first < last)
        which, place = matching(history.boot[stay], boot)
        row = stay[place]
        met = (start[which] <= last[row]) & (end[which] >= first[row])
        which, row = which[met], row[met]
        aircraft = timeline.aircraft_of(history.place[row])
        before, at, after = (total[flights.first_from(aircraft, each[row])] for each in (first, recorded, last))
        np.add.at(earlier, which, at - before)
        np.add.at(later, which, after - at)
    return less, more


def flown_elsewhere(timeline: Timeline, total: Ints, boot: Ints, start: Ints, end: Ints) -> Ints:
    """How much more may have been flown with each boot in a stretch of its time, where rows set aside may have it.

    `total` as in `flown_on_swap_days`.
    """
    possible, more = timeline.components.possible, np.zeros(len(boot), np.int64)
    which, stay = possible.of(boot)
    aircraft = timeline.aircraft_of(possible.place[stay])
    opens, closes = np.maximum(start[which], possible.start[stay]), np.minimum(end[which], possible.end[stay])
    first, last = (timeline.flights.first_from(aircraft, side) for side in (opens, np.maximum(opens, closes)))
    np.add.at(more, which, total[last] - total[first])
    return more


@dataclass(frozen=True)
class Treated(Columns):
    """Sessions that ended in a boot's time: the row of the time, the session, and why it may not have been of it.

    One that may have ended at any time is in every boot's time that it may be of.
    """

    time: Ints
    session: Ints
    doubt: Ints

    def count(self, counted: Bools, size: int) -> Ints:
        """How many of those that count there are in each boot's time."""
        return np.bincount(self.time[counted], minlength=size)


@dataclass(frozen=True)
class _Stays:
    """The stays of boots within their time: which time, at which place, from when to when."""

    number: Ints
    boot: Ints
    place: Ints
    start: Ints
    end: Ints


def stays_of(timeline: Timeline, time: BootTime) -> _Stays:
    """Where each boot was in its time, surely or by rows set aside."""
    history = timeline.components
    which, row = history.by_boot.rows(time.boot, time.boot + 1)
    start = np.maximum(time.known_start[which], history.installed[row])
    end = np.minimum(time.known_end[which], history.removed[row])
    again, stay = history.possible.of(time.boot)
    start = np.append(start, np.maximum(time.perhaps_start[again], history.possible.start[stay]))
    end = np.append(end, np.minimum(time.perhaps_end[again], history.possible.end[stay]))
    which, place = np.append(which, again), np.append(history.place[row], history.possible.place[stay])
    real = start < end
    return _Stays(which[real], time.boot[which[real]], place[real], start[real], end[real])


def treated_within(timeline: Timeline, done: Sessions, time: BootTime) -> Treated:
    """The sessions that ended in each boot's time: surely of the boot, and perhaps."""
    stays = stays_of(timeline, time)
    whose, which, doubts = [], [], []
    for joined, number, opens, closes in (
        (of_one_boot(timeline, done, time, everything), np.arange(len(time)), time.known_start, time.known_end),
        (perhaps_of_one_boot(timeline, done, stays, everything), stays.number, stays.start, stays.end),
    ):
        for every in joined:
            # The evidence of each key that ended in [opens, closes): a block of the order.
            order = every.order(done.end)
            first = order.before(every.asked, opens)
            inside, nth = expand(np.maximum(order.before(every.asked, closes) - first, 0))
            row = order.row[first[inside] + nth]
            # One that lacks its end may have ended at any time from its start on.
            endless = np.flatnonzero(done.end[every.rows] == FOREVER)
            asked, place = matching(every.key[endless], every.asked)
            begun = done.start[every.rows[endless[place]]] < closes[asked]
            inside, row = np.append(inside, asked[begun]), np.append(row, endless[place[begun]])
            whose.append(number[inside])
            which.append(every.rows[row])
            doubts.append(every.doubt[row])
    none: Ints = np.empty(0, np.int64)
    found = Treated(*(np.concatenate([none, *parts]) for parts in (whose, which, doubts)))
    # Of two stays of a boot in one time each may have been the one; it was done once all the same.
    _, once = np.unique(found.time * len(done) + found.session, return_index=True)
    return found.take(np.sort(once))


@dataclass(frozen=True)
class Odometer:
    """What was flown with each boot, as one running total over all boots and their stays in order.

    `base` is the total at the start of each stay, `total` that of all flights (microseconds flown, or cycles).
    """

    timeline: Timeline
    total: Ints
    base: Ints

    @classmethod
    def of(cls, timeline: Timeline, total: Ints) -> Odometer:
        """Run over the flights, by a running total with a leading 0 of Flights."""
        history, flights = timeline.components, timeline.flights
        row = history.by_boot.row
        aircraft = timeline.aircraft_of(history.place[row])
        first, last = (flights.first_from(aircraft, side[row]) for side in (history.installed, history.removed))
        flown = total[np.maximum(last, first)] - total[first]
        return cls(timeline, total, np.append(0, np.cumsum(flown)))

    def at(self, boot: Ints, instants: Ints) -> Ints:
        """The reading of each boot at an instant: flights whose takeoff lies before it are in it."""
        history, flights = self.timeline.components, self.timeline.flights
        order = history.by_boot
        # The last stay that had begun by then, or the first one, of which nothing was flown yet.
        stay = np.maximum(order.until(boot, instants) - 1, order.ahead(boot))
        row = order.row[stay]
        aircraft = self.timeline.aircraft_of(history.place[row])
        upto = np.clip(instants, history.installed[row], history.removed[row])
        flown = self.total[flights.first_from(aircraft, upto)]
        return self.base[stay] + flown - self.total[flights.first_from(aircraft, history.installed[row])]

    def passed(self, readings: Ints) -> Ints:
        """The place in the order of flights of the flight with which each reading is passed."""
        history, flights = self.timeline.components, self.timeline.flights
        # First the stay in which the reading was passed, then the flight within it.
        stay = np.searchsorted(self.base, readings, side="right") - 1
        row = history.by_boot.row[stay]
        first = flights.first_from(self.timeline.aircraft_of(history.place[row]), history.installed[row])
        return np.searchsorted(self.total, readings - self.base[stay] + self.total[first], side="right") - 1
