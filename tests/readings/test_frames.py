"""Decoding of meter values as vehicles send them.

J1939 scales and ranges: a fleet gateway's manual quoting SAE J1939-71. PID A6: a public table of
SAE J1979 PIDs. ISO 15143-3: field names and unit words of the standard's public samples. The
expected values are hand calculations from those scales.
"""

from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.readings.frames import (
    FrameError,
    FrameReading,
    from_iso15143,
    from_j1939,
    from_obd2,
    payload,
)

J1939 = [
    (245, "E8 03 00 00", "km", 125.0),  # 1000 x 0.125 km
    (245, "00 35 0C 00", "km", 100_000.0),  # 800 000 x 0.125 km
    (245, "FF FF FF FA", "km", 526_385_151.875),  # the printed end of the range
    (917, "40 42 0F 00", "km", 5_000.0),  # 1 000 000 x 5 m
    (917, "9D C2 78 01", "km", 123_456.785),  # 24 691 357 x 5 m
    (917, "FF FF FF FA", "km", 21_055_406.075),  # printed: 21 055 406 km
    (247, "20 A1 07 00", "hours", 25_000.0),  # 500 000 x 0.05 h
    (247, "CD AC 02 00", "hours", 8_765.45),  # 175 309 x 0.05 h
    (247, "FF FF FF FA", "hours", 210_554_060.75),  # the printed end of the range
    (245, "00 00 00 00 E8 03 00 00", "km", 125.0),  # bytes 5 to 8 of PGN 65248
    (247, "20 A1 07 00 FF FF FF FF", "hours", 25_000.0),  # bytes 1 to 4 of PGN 65253
]
OBD2 = [
    ("41 A6 00 0F 42 40", 100_000.0),  # 1 000 000 tenths
    ("00 12 D6 87", 123_456.7),  # 1 234 567 tenths
    ("00 00 00 01", 0.1),
    ("41 A6 00 01", 110_139_801.7),  # 65 x 2^24 + 166 x 2^16 + 1: no head
]


@pytest.mark.parametrize(("spn", "data", "kind", "value"), J1939)
def test_j1939_parameters_are_decoded(spn: int, data: str, kind: str, value: float) -> None:
    reading = from_j1939(spn, payload(data))
    assert reading is not None
    assert (reading.kind, reading.value, reading.taken_at) == (kind, value, None)


@pytest.mark.parametrize("spn", [245, 917, 247])
@pytest.mark.parametrize("data", ["FF FF FF FF", "00 00 00 FF"])
def test_a_parameter_that_is_not_available_is_no_reading(spn: int, data: str) -> None:
    # never 536 870 911.875 km; meaning of 0xFF in the top byte: from memory
    assert from_j1939(spn, payload(data)) is None


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ("00 00 00 FE", "fault"),  # from memory
        ("00 00 00 FB", "beyond the range"),  # one above 0xFAFFFFFF
        ("E8 03 00", "3 came"),
        ("", "0 came"),
    ],
)
def test_unusable_j1939_frames_are_refused(data: str, message: str) -> None:
    with pytest.raises(FrameError, match=message):
        from_j1939(245, payload(data))


def test_a_parameter_that_is_no_meter_is_refused() -> None:
    with pytest.raises(FrameError, match="SPN 110 is no meter"):
        from_j1939(110, b"\0\0\0\0")


def test_the_other_byte_order_would_stay_inside_the_range() -> None:
    # 0xE8030000 x 0.125 km = 486 563 840 km: only a check of the rate can notice it
    assert from_j1939(245, payload("00 00 03 E8")) == FrameReading(
        "km", 486_563_840.0, 486_563_840.0, "km", None
    )


@given(st.integers(min_value=0, max_value=0xFAFFFFFF // 25))
def test_both_distances_of_one_counter_agree_within_a_bit(bits: int) -> None:
    # one counter in units of 5 m, truncated to 125 m for SPN 245: 0 <= 917 - 245 < 0.125 km
    fine = from_j1939(917, bits.to_bytes(4, "little"))
    coarse = from_j1939(245, (bits // 25).to_bytes(4, "little"))
    assert fine is not None
    assert coarse is not None
    assert -1e-6 <= fine.value - coarse.value < 0.125


@pytest.mark.parametrize(("data", "value"), OBD2)
def test_the_odometer_answer_is_most_significant_byte_first(data: str, value: float) -> None:
    assert from_obd2(payload(data)) == FrameReading("km", value, value, "km", None)


def test_an_odometer_of_all_ones_is_no_reading() -> None:
    # it would be 429 496 729.5 km
    assert from_obd2(payload("41 A6 FF FF FF FF")) is None


@pytest.mark.parametrize("data", ["", "00 01", "41 A7 00 0F 42 40", "41 A6 00 0F 42 40 00"])
def test_other_answers_are_refused(data: str) -> None:
    with pytest.raises(FrameError, match="41 A6"):
        from_obd2(payload(data))


def test_a_dump_that_is_not_hexadecimal_is_refused() -> None:
    with pytest.raises(FrameError, match="hexadecimal"):
        payload("E8 0G")


@pytest.mark.parametrize(
    ("unit", "value"),
    [("kilometre", 5267.0), ("kilometer", 5267.0), ("mile", 8476.414848)],  # 5267 x 1.609344
)
def test_machine_distance_is_converted_from_the_unit_sent(unit: str, value: float) -> None:
    distance = from_iso15143({"Distance": {"OdometerUnits": unit, "Odometer": 5267}}).distance
    assert distance == FrameReading("km", value, 5267.0, unit, None)


def test_each_machine_meter_keeps_its_own_time() -> None:
    record = from_iso15143(
        {
            "CumulativeOperatingHours": {"datetime": "2026-03-01T12:00:00Z", "Hour": 210.5},
            "CumulativeIdleHours": {"datetime": "2026-03-01T12:30:00+02:00", "Hour": "40.25"},
        }
    )
    noon, earlier = datetime(2026, 3, 1, 12, tzinfo=UTC), datetime(2026, 3, 1, 10, 30, tzinfo=UTC)
    assert record.operating == FrameReading("hours", 210.5, 210.5, "hour", noon)
    assert record.idle == FrameReading("hours", 40.25, 40.25, "hour", earlier)
    assert record.distance is None


@pytest.mark.parametrize(
    "record", [{}, {"Distance": None}, {"Distance": {"OdometerUnits": "kilometre"}}]
)
def test_absent_machine_fields_are_no_reading(record: object) -> None:
    assert from_iso15143(record).distance is None


@pytest.mark.parametrize(
    ("record", "message"),
    [
        ({"Distance": {"OdometerUnits": "furlong", "Odometer": 1}}, "furlong"),
        ({"Distance": {"OdometerUnits": "litre", "Odometer": 1}}, "unit of volume"),
        ({"Distance": {"Odometer": 1}}, "OdometerUnits"),
        ({"Distance": {"OdometerUnits": "kilometre", "Odometer": -1}}, "negative"),
        ({"Distance": {"OdometerUnits": "kilometre", "Odometer": True}}, "plain number"),
        ({"Distance": {"OdometerUnits": "kilometre", "Odometer": "5.267,0"}}, "plain number"),
        ({"Distance": {"OdometerUnits": "kilometre", "Odometer": 10**400}}, "plain number"),
        ({"Distance": 5267}, "named fields"),
        ({"CumulativeIdleHours": {"Hour": 1, "datetime": "2026-03-01T12:00"}}, "offset"),
        ({"CumulativeIdleHours": {"Hour": 1, "datetime": "0001-01-01T00:00+05:00"}}, "offset"),
        ({"CumulativeOperatingHours": {"Hour": 9}, "CumulativeIdleHours": {"Hour": 9.1}}, "Idle"),
        ("text", "named fields"),
    ],
)
def test_unusable_machine_records_are_refused(record: object, message: str) -> None:
    with pytest.raises(FrameError, match=message):
        from_iso15143(record)


@given(st.sampled_from([245, 917, 247, 110]), st.binary(max_size=10))
def test_any_bytes_are_a_reading_or_a_named_refusal(spn: int, data: bytes) -> None:
    decoders: list[Callable[[], FrameReading | None]] = [
        lambda: from_j1939(spn, data),
        lambda: from_obd2(data),
    ]
    for decode in decoders:
        try:
            reading = decode()
        except FrameError:
            continue
        assert reading is None or 0 <= reading.value < 1e9


_SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12)
_BLOCKS = _SCALARS | st.dictionaries(
    st.sampled_from(["datetime", "Hour", "OdometerUnits", "Odometer"]), _SCALARS
)
_FIELDS = st.sampled_from(["Distance", "CumulativeOperatingHours", "CumulativeIdleHours"])


@given(_SCALARS | st.dictionaries(_FIELDS, _BLOCKS))
def test_any_record_is_readings_or_a_named_refusal(record: object) -> None:
    try:
        found = from_iso15143(record)
    except FrameError:
        return
    readings = [r for r in (found.distance, found.operating, found.idle) if r is not None]
    assert all(r.value >= 0 for r in readings)


@given(st.text(max_size=20))
def test_any_dump_is_bytes_or_a_named_refusal(text: str) -> None:
    try:
        data = payload(text)
    except FrameError:
        return
    assert data.hex() == "".join(text.split()).lower()
