"""Meter readings as they came in, and the verdict on each.

apart.py          has a function read a foreign file in a process of its own
at_once.py        accepts what is in no doubt as it is written, before anybody judges (PostgreSQL)
around.py         accepted readings about others, for small charts
beside.py         what stands beside a held reading: neighbours, expected value, what was meant
cells.py          numbers in cells: decimal marks, units written behind
correct.py        a row of an upload corrected by hand; the reading it had brought is rejected
doubts.py         a value that a person gives, held against the readings about it
earlier.py        memories of the judge to go on from
enter.py          single readings as typed or sent; a day without a time counts as noon
entries.py        rows of long sheets and cells of wide ones as entries
frames.py         telematics: bytes of J1939 and OBD-II, ISO 15143-3 records, decoded
heading_words.py  by which words a sheet's columns are known, in four languages
headings.py       which row holds the headings; long and wide sheets
intake.py         an upload from bytes to rows: largest file, the same file again, going on
judge.py          gives readings their verdict (arithmetic: calc/verdicts.py); most hours a day
kinds.py          rows not accepted, by kind, with what mends them
labels.py         what the judge says of each reading, written where it differs
leavings.py       files of one piece of work, swept up after a kill
listing.py        readings and uploads as listed; the last accepted; which rows still wait; who sees
main_meter.py     by which meter a vehicle is read: odometer or hours
mend.py           many rows at once: an unknown name taken for a vehicle, likely values accepted
misfits.py        back-dated readings that nobody can have driven are held
models.py         Reading and its key (one_reading_as_given), Upload, verdicts, decisions
moments.py        dates and times as sheets write them; day or month first
other_days.py     another day that a reading may have been meant for
pending.py        meters with readings that nobody judged yet
prepared.py       that process: imports once, forks for each file
reasons.py        why a reading was held or rejected, in a sentence
record.py         readings stored once each: their key in SQL
report.py         what became of an upload: totals, and rows not accepted
resolve.py        entries to vehicles, instants in UTC and units
roll.py           which vehicle a cell means: fleet numbers, lost zeros, suggestions
scratch.py        tables to try a file in, gone afterwards
settle.py         a person decides about a held reading
sheets.py         survey of a sheet, then its entries chunk by chunk
spreadsheet.py    opens xlsx, ods, csv by content; time limit
totals.py         uploads whose rows do not add up
traces.py         what people corrected of rows, and what was said first, in words
unjudged.py       readings that nobody judged, in sentences
unpack.py         rows of a file, read apart: limits on memory, time, rows; separator and encoding
unsettle.py       what was decided in one act taken back as a whole
withdraw.py       an upload taken back as a whole
"""
