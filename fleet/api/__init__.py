"""The REST API: what programs see and send.

orders/           work orders
acting.py         who acts and when, in every change; the version seen
calibration.py    how often dates came true
chosen_fluids.py  fluids chosen for single vehicles
climate.py        a depot's climate, and a weather file
costs.py          cost per 1,000 km
deferrals.py      deferrals; overdue services and answers to them
demand.py         demand and what to order
due_dates.py      due dates as JSON or CSV; why one is due
duty.py           duty classes and overrides
errors.py         the shape and codes of refusals
etags.py          entity tags and If-Match
evidence.py       a vehicle's evidence; share on time
examples.py       examples in the schema
fields.py         strict fields, bodies and parameters
findings.py       findings, and do not use
formats.py        forms of request and answer; depth of JSON
limits.py         counts requests a minute; the number: DEFAULT_THROTTLE_RATES of settings.py
loads.py          loads of the workbook, and withdrawing one
many_readings.py  many readings in one request; the most of them
other_work.py     other work on vehicles
paging.py         lists by pages: how many rows, the cursor
plans.py          plans, visits, workshop days; what would make a plan fit
procedures.py     figures of checks; substitutes
readings.py       readings, and settling one
repeats.py        the same request sent twice: Idempotency-Key
resource.py       what every view declares
restrictions.py   restrictions, and lifting one
rows.py           rows in the shape shown
runs.py           runs, and a night by hand
schema.py         the OpenAPI document
shapes.py         shapes that several share
settlements.py    what was decided about readings, withdrawn
signin.py         who calls: session or token, its scopes and depots
stock.py          items, stock, moves
tables.py         lists as CSV
telematics.py     values as vehicles send them
trials.py         field trials, ratings, samples
uploads.py        sheets uploaded, followed, mended
urls.py           addresses and the index
usage.py          how much each meter runs
used_fluid.py     used fluid and its notes
vehicles.py       vehicles, and a change of one
visits.py         plan anew, publish, move, lock, promise
what_ifs.py       questions of What if
workshop_rows.py  bays, mechanics and what services ask for, one by one
workshops.py      workshops, and days away
"""
