from django.conf import settings
from django.db import models

from fleet.vehicles.models import Meter, Vehicle


class Verdict(models.TextChoices):
    NOT_JUDGED = "not judged"
    ACCEPTED = "accepted"
    HELD = "held"
    REJECTED = "rejected"


OPEN = (Verdict.HELD, Verdict.REJECTED)  # what a person may still decide otherwise


class Source(models.TextChoices):
    SHEET = "sheet"
    PAGE = "page"
    API = "api"
    TELEMATICS = "telematics"
    WORK_ORDER = "work order"
    DEMO = "demo"


class Upload(models.Model):
    """A file of readings: received, read, judged, done; it goes on where it stopped."""

    class State(models.TextChoices):
        RECEIVED = "received"
        READ = "read"
        JUDGED = "judged"
        DONE = "done"
        REFUSED = "refused"

    name = models.CharField(max_length=200)
    hash = models.CharField(max_length=64, unique=True)  # SHA-256 of bytes and options
    size_bytes = models.BigIntegerField()
    options = models.JSONField(default=dict)  # unit and zone stated for the whole file
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    received_at = models.DateTimeField(auto_now_add=True)
    state = models.CharField(max_length=8, choices=State, default=State.RECEIVED)
    rows_read = models.PositiveIntegerField(default=0)  # rows safely staged so far
    rows_total = models.PositiveIntegerField(null=True)
    counts = models.JSONField(default=dict)  # outcome -> number of rows
    message = models.TextField(blank=True)  # why a file was refused; remarks on one that was read

    ENDED = (State.DONE, State.REFUSED)
    seen_before = False  # set by the intake when the same bytes and options came before

    class Meta:
        ordering = ["-received_at", "-id"]

    def __str__(self) -> str:
        return self.name

    @property
    def is_under_way(self) -> bool:
        return self.state not in self.ENDED


class UploadWithdrawal(models.Model):
    """An upload was withdrawn as a whole: who, when, why, and what followed."""

    upload = models.OneToOneField(Upload, models.CASCADE, related_name="withdrawal")
    hash = models.CharField(max_length=64)  # that the upload had: the same file may come again
    readings = models.PositiveIntegerField()  # that it alone had brought
    drafts = models.PositiveIntegerField(default=0)  # orders that were cancelled with it
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    reason = models.CharField(max_length=300)
    channel = models.CharField(max_length=12)
    withdrawn_at = models.DateTimeField()

    class Meta:
        ordering = ["-withdrawn_at", "-id"]

    def __str__(self) -> str:
        return f"{self.upload}, withdrawn"


class Reading(models.Model):
    """A meter reading, stored as given and never rewritten; only its verdict may change."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="readings", db_index=False)
    meter = models.ForeignKey(Meter, models.CASCADE, related_name="readings", db_index=False)
    taken_at = models.DateTimeField()  # whole seconds, UTC
    time_known = models.BooleanField(default=True)
    value = models.FloatField()  # as given
    unit = models.CharField(max_length=2)  # as given: km, mi or h
    source = models.CharField(max_length=10, choices=Source)
    note = models.CharField(max_length=300, blank=True)
    received_at = models.DateTimeField(auto_now_add=True)
    meter_value = models.FloatField()  # in km (or h), before any offset
    settled_value = models.FloatField(null=True)  # meter value a person put in its place
    total = models.FloatField(null=True)  # in km (or h): meter value plus offset, or as settled
    verdict = models.CharField(max_length=10, choices=Verdict, default=Verdict.NOT_JUDGED)
    reason = models.CharField(max_length=32, blank=True)
    suggestion = models.FloatField(null=True)  # meter value in km (or h)
    probability = models.FloatField(null=True)  # of the reason given, 0 to 1
    provisional = models.BooleanField(default=False)  # rests on an offset nobody has confirmed
    moves_base = models.BooleanField(default=False)  # the usage state counts on from here
    fixed = models.CharField(max_length=10, blank=True)  # verdict that a replay must keep

    class Meta:
        ordering = ["meter", "taken_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["meter", "taken_at", "source", "value", "unit"], name="one_reading_as_given"
            )
        ]
        indexes = [
            models.Index(  # the list of what a person must settle
                fields=["vehicle", "taken_at"],
                name="readings_held",
                condition=models.Q(verdict="held"),
            ),
            models.Index(  # intake picks up what nobody has judged yet
                fields=["meter"],
                name="readings_not_judged",
                condition=models.Q(verdict="not judged"),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit} at {self.taken_at:%Y-%m-%d %H:%M}"

    @property
    def shown(self) -> float:
        """What the meter itself showed [km or h]: the total without what was run before it."""
        return self.meter_value if self.settled_value is None else self.settled_value


class UploadRow(models.Model):
    """One row (or one cell of a wide sheet) as it stood in the file, and what became of it."""

    class Outcome(models.TextChoices):
        WAITING = "waiting"  # staged, its reading not judged yet
        ACCEPTED = "accepted"
        HELD = "held"
        REJECTED = "rejected"
        UNKNOWN_VEHICLE = "unknown vehicle"
        UNREADABLE = "unreadable"
        REPEATED = "repeated"

    upload = models.ForeignKey(Upload, models.CASCADE, related_name="rows", db_index=False)
    number = models.PositiveIntegerField()  # counts rows (or cells) through the whole file
    sheet = models.CharField(max_length=40, blank=True)
    row = models.PositiveIntegerField()  # as the spreadsheet numbers it
    column = models.CharField(max_length=4, blank=True)  # of a wide sheet
    raw = models.TextField()  # JSON list of the cells as given
    outcome = models.CharField(max_length=15, choices=Outcome, default=Outcome.WAITING)
    message = models.CharField(max_length=300, blank=True)
    named = models.CharField(max_length=40, blank=True)  # the vehicle as given, where unknown
    vehicle = models.ForeignKey(Vehicle, models.SET_NULL, null=True, db_index=False)
    reading = models.ForeignKey(Reading, models.SET_NULL, null=True, related_name="upload_rows")
    hours_reading = models.ForeignKey(  # of a row with engine hours beside the odometer
        Reading, models.SET_NULL, null=True, related_name="+", db_index=False
    )

    class Meta:
        ordering = ["upload", "number"]
        constraints = [
            models.UniqueConstraint(
                fields=["upload", "number"], name="one_row_per_upload_and_number"
            )
        ]

    def __str__(self) -> str:
        return f"{self.upload} row {self.row}{self.column}"


class RowCorrection(models.Model):
    """A person gave the right day or value of a row of an upload; what stood until then."""

    row = models.ForeignKey(UploadRow, models.CASCADE, related_name="corrections")
    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="+", db_index=False)
    outcome = models.CharField(max_length=15, choices=UploadRow.Outcome)  # that the row had
    message = models.CharField(max_length=300, blank=True)
    reading = models.ForeignKey(  # that the row had brought; empty: none could be read
        Reading, models.SET_NULL, null=True, related_name="+", db_index=False
    )
    hours_reading = models.ForeignKey(
        Reading, models.SET_NULL, null=True, related_name="+", db_index=False
    )
    reason = models.CharField(max_length=300)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    channel = models.CharField(max_length=12)
    corrected_at = models.DateTimeField()

    class Meta:
        ordering = ["row", "id"]

    def __str__(self) -> str:
        return f"{self.row}, corrected"


class ReadingDecision(models.Model):
    """What a person decided about a reading; the newest decision holds."""

    class Action(models.TextChoices):
        ACCEPT = "accept", "accept as it stands"
        ACCEPT_SUGGESTION = "accept suggestion", "accept the suggestion"
        OTHER_VALUE = "other value", "take another value"
        REJECT = "reject", "reject"
        METER_REPLACED = "meter replaced", "the meter was replaced"

    IN_ITS_PLACE = (Action.ACCEPT_SUGGESTION, Action.OTHER_VALUE)  # of the value as it was given

    reading = models.ForeignKey(Reading, models.CASCADE, related_name="decisions")
    action = models.CharField(max_length=20, choices=Action)
    value = models.FloatField(null=True)  # meter value in km (or h) that was accepted
    suggested = models.FloatField(null=True)  # what was likely meant then, in km (or h)
    reason = models.CharField(max_length=300)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    channel = models.CharField(max_length=12, default="page")
    decided_at = models.DateTimeField(auto_now_add=True)
    # the first decision of the act by which it was taken together with others; of that one: none
    begun_with = models.ForeignKey("self", models.CASCADE, null=True, related_name="others")
    before = models.JSONField(default=dict)  # what stood until then: `readings/unsettle.py`

    class Meta:
        ordering = ["reading", "-id"]

    def __str__(self) -> str:
        return f"{self.reading}: {self.action}"


class SettlementWithdrawal(models.Model):
    """What was decided in one act, about one reading or many, was taken back as a whole."""

    first = models.OneToOneField(ReadingDecision, models.CASCADE, related_name="withdrawal")
    readings = models.PositiveIntegerField()  # about which it had decided
    drafts = models.PositiveIntegerField(null=True)  # cancelled with it; None: that is to be done
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+"
    )
    reason = models.CharField(max_length=300)
    channel = models.CharField(max_length=12)
    withdrawn_at = models.DateTimeField()

    class Meta:
        ordering = ["-withdrawn_at", "-id"]

    def __str__(self) -> str:
        return f"settlement {self.first_id}, withdrawn"


class Remembered(models.Model):
    """What the judge remembers of a meter at an accepted reading, with nothing held since."""

    rate_km_per_day = models.FloatField()
    spread = models.FloatField()
    weight_d = models.FloatField(default=0)
    weight_km = models.FloatField(default=0)
    scatter = models.FloatField(default=1)
    last_id = models.BigIntegerField(default=-1)
    last_at_d = models.FloatField(null=True)
    last_km = models.FloatField(null=True)
    last_source = models.SmallIntegerField(default=0)
    last_unit_km = models.FloatField(default=1)
    last_confirmed_km = models.FloatField(default=0)
    last_decided = models.BooleanField(default=False)
    prev_at_d = models.FloatField(null=True)
    prev_km = models.FloatField(null=True)
    prev_weight_d = models.FloatField(null=True)
    prev_weight_km = models.FloatField(null=True)
    accepted = models.PositiveIntegerField(default=0)
    offset_km = models.FloatField(default=0)
    provisional = models.BooleanField(default=False)

    class Meta:
        abstract = True


class VerdictMemory(Remembered):
    """What the judge remembers of a meter; can be rebuilt from the readings. Times in days
    since 1970-01-01 UTC, distances in km (or h)."""

    meter = models.OneToOneField(Meter, models.CASCADE, primary_key=True, related_name="memory")
    held = models.JSONField(default=list)  # readings held since the last accepted one
    waiting = models.BooleanField(default=False)  # one of them may be confirmed by the next
    to_replay = models.BooleanField(default=False)  # the rules have changed: judge all again
    version = models.PositiveIntegerField(default=1)  # rises when earlier readings were re-labelled

    class Meta:
        indexes = [
            models.Index(  # every refresh looks for them; there are hardly ever any
                fields=["meter"],
                name="memories_to_replay",
                condition=models.Q(to_replay=True),
            )
        ]

    def __str__(self) -> str:
        return f"memory of meter {self.meter_id}"


class EarlierMemory(Remembered):
    """The memory as it was at every so many accepted readings: judging again begins there
    instead of at the first reading. Without these rows it takes longer, and no more."""

    meter = models.ForeignKey(Meter, models.CASCADE, related_name="+", db_index=False)
    last_at_d = models.FloatField()
    top_km_per_day = models.FloatField()  # as the vehicle type had it then
    version = models.PositiveIntegerField()  # of the verdicts that it was written with

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["meter", "last_at_d"], name="one_earlier_memory_per_meter_and_instant"
            )
        ]

    def __str__(self) -> str:
        return f"memory of meter {self.meter_id} at {self.last_at_d:.0f}"


class UsageSheet(models.Model):
    """How a vehicle was used in a month, as far as anybody measured it."""

    vehicle = models.ForeignKey(Vehicle, models.CASCADE, related_name="usage_sheets")
    month_on = models.DateField()  # first day of the month
    trips = models.PositiveIntegerField(null=True, blank=True)
    trips_under_8_km = models.PositiveIntegerField(null=True, blank=True)
    trips_under_16_km = models.PositiveIntegerField(null=True, blank=True)
    stops_per_10_km = models.FloatField(null=True, blank=True)
    mean_speed_km_per_h = models.FloatField(null=True, blank=True)
    engine_h = models.FloatField(null=True, blank=True)
    idle_h = models.FloatField(null=True, blank=True)
    unpaved_share = models.FloatField(null=True, blank=True)
    loaded_share = models.FloatField(null=True, blank=True)  # towing or near gross mass
    source = models.CharField(max_length=200)

    class Meta:
        ordering = ["vehicle", "month_on"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "month_on"], name="one_usage_sheet_per_vehicle_and_month"
            )
        ]

    def __str__(self) -> str:
        return f"{self.vehicle} {self.month_on:%Y-%m}"
