"""The order of the stages: readings, usage, duty class, due dates. Only this file knows it.

``refresh`` brings some vehicles up to date at once; ``nightly`` the whole fleet, looking closer
only where something changed. Both do the same work by the same verbs, and both may be run again
without harm.
"""

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from django.db.models import F
from django.utils import timezone

from fleet import bulk
from fleet.calc.arrays import Array
from fleet.consumables import demand
from fleet.due import forecast, moves, record, stamps
from fleet.due.differing import differing
from fleet.due.rules import Basis, gather_basis
from fleet.duty import assess
from fleet.hindcast import widen
from fleet.overview import weeks
from fleet.people.actor import Actor
from fleet.readings import at_once, judge
from fleet.readings.listing import of_act
from fleet.readings.models import (
    Reading,
    SettlementWithdrawal,
    Source,
    Upload,
    UploadWithdrawal,
)
from fleet.readings.pending import pending
from fleet.readings.record import AtOnce
from fleet.runs import ledger
from fleet.runs.ledger import Progress, silent
from fleet.runs.models import Run
from fleet.runs.night import dated
from fleet.today import today_at
from fleet.trials import evaluate
from fleet.usage import measure, rates, seasons
from fleet.vehicles.models import Vehicle
from fleet.workorders import consumption, escalate, issue, needed, rechecks, unasked

Counts = dict[str, int]


def refresh(vehicle_ids: Sequence[int] | Array, as_of: datetime) -> Counts:
    """Bring some vehicles up to date: verdicts, usage, duty classes, due dates; order what was
    called for and must not wait; ask no more about what was overdue and is done."""
    ids = np.unique(np.asarray(vehicle_ids, dtype=np.int64))
    return catch_up(as_of, ids) | _follow(ids, as_of)


def _follow(ids: Array, as_of: datetime) -> Counts:
    """What follows where verdicts and usage of some vehicles are up to date."""
    counts = Counts()
    by_day, rules = _by_day(ids, as_of), assess.rules_stamp()
    counts["duty rows"] = sum(assess.assess(vehicles, _month(on), rules) for on, vehicles in by_day)
    record.settle_provisional()
    counts["due dates"] = sum(forecast.forecast(vehicles, on) for on, vehicles in by_day)
    needed.follow(ids)
    counts["re-checks ordered"] = rechecks.order_called(as_of, vehicle_ids=ids.tolist())
    for on, vehicles in by_day:
        escalate.close_done(vehicles, on)
    return counts


def catch_up(
    as_of: datetime,
    vehicle_ids: Array | None = None,
    progress: Progress = silent,
    *,
    closing: bool = False,
) -> Counts:
    """Judge what is pending and bring usage up to it, month by month where months are open.

    A class rate must rest on what was known at its month end, so older readings are judged up
    to each open month end before its rates are written. ``closing`` closes every month that is
    over, and not only those that the readings reach beyond.
    """
    judged = judge.replay_marked(as_of, vehicle_ids)
    states = 0
    waiting = pending(vehicle_ids)
    onwards = waiting.onwards()
    earliest, newest = onwards.span()
    months = rates.months_to_close(as_of, earliest, None if closing else newest or as_of)
    for at, month_end_on in enumerate(months):
        progress(0.9 * at / len(months), f"readings up to {month_end_on:%B %Y}")
        after = datetime.combine(month_end_on + timedelta(days=1), time(), UTC)
        _add(judged, judge.judge(onwards.meter_id, as_of, rates.start_rates, until=after))
        states += measure.advance(onwards.meter_id)
        rates.close_month(month_end_on, as_of)
    if months:
        seasons.assess_seasons(months[-1])
        waiting = pending(vehicle_ids)
    progress(0.9, "readings since")
    _add(judged, judge.judge(waiting.meter_id, as_of, rates.start_rates))
    states += measure.follow(vehicle_ids)
    counts = {str(verdict): number for verdict, number in judged.verdicts.items()}
    return counts | {"relabelled": judged.relabelled, "usage states": states}


def nightly(
    on: date, zone: str | None = None, progress: Progress | None = None, *, again: bool = False
) -> Run:
    """Do the night of a day for the depots of one time zone (default: of all).

    Raises
    ------
    fleet.runs.ledger.Taken
        Another process is at it, or it is done and not wanted ``again``.
    """
    with ledger.work(ledger.NIGHT, on, zone or "", again=again) as run:
        keep = ledger.keeper(run)

        def tell(share: float, text: str) -> None:
            keep(share)
            if progress is not None:
                progress(share, text)

        counts = _night(datetime.combine(on, time(23, 59, 59), UTC), zone, tell)
        run.counts = counts
    return run


def _night(as_of: datetime, zone: str | None, progress: Progress) -> Counts:
    here, begun = None if zone is None else _vehicles_in(zone), timezone.now()
    counts = catch_up(as_of, here, lambda share, text: progress(0.5 * share, text), closing=True)
    follow_withdrawn()  # where that was cut short
    record.settle_provisional()  # a reading may have been confirmed by the next one
    # before the due dates: a new factor moves them
    widen.watch(as_of.date(), lambda _, text: progress(0.5, f"looking back: {text}"))
    today, criteria, basis = as_of.date(), assess.rules_stamp(), gather_basis()
    counts["duty rows"] = counts["due dates"] = counts["vehicles looked at"] = 0
    found = stamps.changed(today, basis, criteria)
    changed = [np.setdiff1d(found.dates, found.classes)]
    for share, ids in _chunks(_among(found.classes, here)):
        progress(0.5 + 0.2 * share, "duty classes")
        counts["duty rows"] += assess.assess(ids, _month(today), criteria)
        changed.append(stamps.changed_dates(ids, today, basis))
    for share, ids in _chunks(_among(np.sort(np.concatenate(changed)), here)):
        progress(0.7 + 0.3 * share, "due dates")
        counts["due dates"] += forecast.forecast(ids, today, basis)
        counts["vehicles looked at"] += len(ids)
    return counts | _follow_up(as_of, zone, basis, begun)


def _follow_up(as_of: datetime, zone: str | None, basis: Basis, begun: datetime) -> Counts:
    """Draft orders, ask about what is overdue, forecast what stores will need."""
    actor = Actor(person=None, channel="night", now=_moment(as_of.date(), zone))
    zones = basis.depots.zone
    ids = [pk for pk, own in zones.items() if zone is None or own == zone]
    today_of = {pk: today_at(zones[pk], actor.now) for pk in ids}
    moves.forget(actor.now)
    needed.follow()  # of all: a part killed after the due dates left some behind
    dated.send(sender=None, actor=actor, depot_ids=ids, before=begun)
    return {
        "re-checks ordered": rechecks.order_called(actor.now, depot_ids=ids),
        "orders drafted": issue.draft_due(actor, as_of.date(), ids),
        "questions asked": escalate.escalate(actor, today_of, basis.depots.working),
        "consumption findings": consumption.watch(actor, consumption.topped_up(ids), as_of),
        "demand rows": demand.forecast_demand(as_of.date(), ids, basis),
        "weeks ahead": weeks.forecast_weeks(as_of.date(), ids, basis),
        "trials evaluated": evaluate.evaluate_running(as_of, ids),
    }


def _moment(on: date, zone: str | None) -> datetime:
    """When a night acts: on that day by the depots' clock, and never ahead of the clock."""
    noon = datetime.combine(on, time(12), UTC if zone is None else ZoneInfo(zone))
    return min(noon, timezone.now())


def _vehicles_in(zone: str) -> Array:
    sql = """
        SELECT v.id FROM vehicles_vehicle v JOIN vehicles_depot d ON d.id = v.depot_id
        WHERE d.zone = %s AND v.status <> 'sold' ORDER BY v.id"""
    return bulk.read(sql, [zone], {"id": "i8"})["id"]


def _among(vehicle_ids: Array, here: Array | None) -> Array:
    return vehicle_ids if here is None else np.intersect1d(vehicle_ids, here)


def complete_upload(upload_id: int, progress: Progress | None = None) -> Upload:
    """Read a file, judge its readings and bring the vehicles up to date; goes on where it was."""
    from fleet.readings import intake

    tell = progress or silent
    upload = Upload.objects.get(pk=upload_id)
    if upload.state == Upload.State.RECEIVED:
        intake.stage(
            upload,
            lambda share: tell(0.5 * share, "reading the rows"),
            plain_at_once(timezone.now()),
        )
    if upload.is_under_way:
        vehicles = intake.vehicles_of(upload)
        tell(0.5, "judging the readings")
        catch_up(timezone.now(), vehicles, lambda share, text: tell(0.5 + 0.3 * share, text))
        Upload.objects.filter(pk=upload.pk).update(state=Upload.State.JUDGED)
        upload.refresh_from_db()
        tell(0.8, "due dates")
        _follow(vehicles, timezone.now())
        _cancel_drafts(upload, vehicles)
        intake.finish(upload)
    tell(1.0, "done")
    return upload


def plain_at_once(now: datetime) -> AtOnce:
    """Accept on their way in the readings that are beyond doubt, unless a month is to be closed:
    it waits for readings from after it, and whoever looks for those looks for pending ones."""

    def accept(readings: bulk.Columns, ids: Array, source: Source) -> Array:
        first, last = (
            one.astype(datetime).replace(tzinfo=UTC)
            for one in (readings["taken_at"].min(), readings["taken_at"].max())
        )
        if rates.any_open(now, first, last):
            return np.zeros(len(ids), dtype=bool)
        return at_once.accept(readings, ids, source, now)

    return accept


def _cancel_drafts(upload: Upload, vehicles: Array) -> None:
    """Cancel the drafts that rested on what an upload had brought, once it is withdrawn."""
    if (kept := UploadWithdrawal.objects.filter(upload=upload).first()) is not None:
        actor = Actor(person=None, channel=kept.channel, now=kept.withdrawn_at)
        why = f"The upload {upload.name[:80]} was withdrawn: {kept.reason}"
        drafts = unasked.cancel_unasked(actor, vehicles, upload.received_at, why[:300])
        UploadWithdrawal.objects.filter(pk=kept.pk).update(drafts=F("drafts") + drafts)


def follow_withdrawn() -> None:
    """Let everything follow the settlements that were withdrawn since: services of an odometer in
    doubt again, usage, due dates, and the drafts that rested on what was decided."""
    if not bulk.has(SettlementWithdrawal, "drafts IS NULL"):  # on nearly every night
        return
    for kept in SettlementWithdrawal.objects.filter(drafts=None).select_related("first"):
        readings = Reading.objects.filter(pk__in=of_act(kept.first).values("reading"))
        vehicles = np.array(readings.order_by("pk").values_list("vehicle", flat=True))
        record.provisional_again(readings)
        refresh(vehicles, timezone.now())
        actor = Actor(person=None, channel=kept.channel, now=kept.withdrawn_at)
        why = f"What was decided about readings was withdrawn: {kept.reason}"[:300]
        drafts = unasked.cancel_unasked(actor, np.unique(vehicles), kept.first.decided_at, why)
        SettlementWithdrawal.objects.filter(pk=kept.pk, drafts=None).update(drafts=drafts)


def due_dates_that_differ(as_of: datetime) -> Iterator[str]:
    """Compute all due dates anew: a sentence for each stored one that differs; writes nothing."""
    for on, ids in _by_day(_all_vehicles(), as_of):
        yield from differing(ids, on)


def _by_day(vehicle_ids: Array, as_of: datetime) -> list[tuple[date, Array]]:
    """Vehicles by the day that it is at their depots: what begins today begins there."""
    where, params = bulk.among("v.id", vehicle_ids)
    sql = f"""
        SELECT v.id, d.zone FROM vehicles_vehicle v JOIN vehicles_depot d ON d.id = v.depot_id
        WHERE {where} ORDER BY v.id"""  # noqa: S608
    rows = bulk.read(sql, params, {"id": "i8", "zone": "O"})
    zones, zone_of = np.unique(rows["zone"].astype(str), return_inverse=True)
    days = np.array([today_at(zone, as_of) for zone in zones.tolist()], dtype="M8[D]")
    day_of = days[zone_of]
    return [(day.item(), rows["id"][day_of == day]) for day in np.unique(day_of)]


def _month(on: date) -> date:
    return on.replace(day=1)


def _all_vehicles() -> Array:
    ids = Vehicle.objects.exclude(status=Vehicle.Status.SOLD).order_by("pk")
    return np.array(ids.values_list("pk", flat=True), dtype=np.int64)


def _chunks(ids: Array, size: int = forecast.VEHICLES_AT_ONCE) -> list[tuple[float, Array]]:
    starts = range(0, len(ids), size)
    return [(min(1.0, (at + size) / len(ids)), ids[at : at + size]) for at in starts]


def _add(total: judge.Judged, more: judge.Judged) -> None:
    total.verdicts.update(more.verdicts)
    total.relabelled += more.relabelled
    total.meters += more.meters
