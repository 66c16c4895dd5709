"""From due services to work done, recorded and followed up.

models/             rows of work: procedures, orders, records
admin.py            procedures, cautions, wrenches and labour rates in the administration pages
bays.py             what a way of raising the vehicle allows
book.py             what the book says on a card, worked out once for the same rows
book_minutes.py     labour minutes of services by the book, and of re-checks by their rules
booking.py          stock booked for what an order used
cardfluids.py       fluids and parts on a job card, and what is on hand
cardsteps.py        steps on a job card, with cautions and torques
cautions.py         before which step a caution stands, and when it returns
checks.py           measured values: pass, watch, fail; what a fail asks for
confirming.py       a point of a step or re-check confirmed; the finding that a failed one raises
consumption.py      from when oil consumption is high and top-ups repeat, reported as findings
costs.py            cost per 1,000 km by vehicle, service or depot
downtime.py         hours in the workshop: work and waiting
draft_many.py       orders for many due services at once
due_soon.py         what the night drafts, and how many days ahead
elsewhere.py        what is due on the vehicle of an order, and stands on another
ending.py           finish, hand back, sign off, open again; who may not sign off their own work
escalate.py         overdue services without an answer: after how many days a step further
events.py           the one row of history of a change
evidence.py         proof frozen at the finish; what counts as on time
evidence_words.py   frozen proof in words
far_early.py        services of orders far before they fall due; how many days are far
failed.py           measured values that failed and have no answer yet
families.py         which steps, seals and cautions a procedure must hold, by family
findings.py         findings reported, followed up, closed; *before use* sets do not use; leaks
findings_listed.py  findings in the order in which they press
fit.py              whether a procedure's tools fit its fasteners
fluid_for.py        which product a vehicle gets: chosen, as before, kept here (not: on hand)
fluids.py           fluid drained, filled, topped up; when too little or much is asked about
fluids_in.py        which products a compartment accepts, in the order offered; substitutes
followed.py         rows that followed from a record, offered when it is taken back
gaps.py             what was expected and not recorded, asked about at done
glance.py           counts and look-ups about the list of orders, in one query
hazards.py          which hazard needs which caution, before which steps
held.py             orders that a transaction holds: changed at a version, or refused
in_stock.py         whether what an order takes is on the shelf
issue.py            orders drafted by hand and each night; numbers; what joins in its early window
items_for.py        which item of stores serves a material, and how much of it
cardjson.py         the job card as plain values, for the API
jobcard.py          the whole job card, for page, print and API
joblist.py          jobs added to an order, dropped, moved to another
keep_fill.py        a job's records as one fill or as top-ups in the history
keys.py             a record sent twice under one key is there once
late.py             records from a phone after sign-off or cancelling; who took part (took_part)
levels.py           levels read, and what was poured in later
lines.py            re-checks that wait for the vehicle's next order; which are urgent and do not
listing.py          orders and jobs as listed
makers_figure.py    a fastener in words, where no procedure describes it
measured.py         values measured on an order
needed.py           the day on which an order is needed, kept with it
outside.py          work of outside workshops entered from its papers, one or a stack of them
papers.py           papers kept: largest size, formats
photos.py           photos kept: largest size, formats, encoded anew
points.py           points that a job wants confirmed; what is missing
progress.py         states of an order and its jobs: release, plan, start, wait, end a job, cancel
quantities.py       litres as typed: quarts, pints, gallons
read_again.py       the odometer read again after a doubt at the finish
recheck_admin.py    re-checks in the administration pages
rechecks.py         re-checks called after an order, withdrawn, ordered
record_kinds.py     kinds of record, and finding one
recording.py        what all records share; in which states they are taken; materials, notes
restrictions.py     restrictions set at a finish, answered, lifted
rules.py            re-check rules in words
sound.py            whether orders agree with themselves, in sentences
stepwise.py         what holds of every procedure's steps
stops.py            what stands against using a vehicle, read only
subjects.py         what a confirm record is about, and its figures
ticked.py           which steps of a card are recorded as done
torque_field.py     a field of the administration pages for a torque, with its unit
torques.py          torque recorded; the wrench and its calibration
unasked.py          drafts that nothing asks for any more, cancelled
used.py             what an order used: as recorded, else by the book
used_fluid.py       used fluid drained and collected, by depot
validate.py         stored procedures held against their family's rules
walk.py             how the vehicle stands at each step: raised, running, hot
withdraw.py         a record or finding taken back
words_field.py      a form field for words with ; between
wrong.py            one thing wrong with a procedure
"""
