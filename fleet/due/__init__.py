"""Services, their limits, what was done, and when each falls due next.

models/        rows of the due dates: the schedule, the history, the dates
ahead.py       how far meters have likely come by a day
back_date.py   a class set for past days asks first, as it moves dates
baselines.py   when services were last done, entered for many vehicles
called.py      the total at which a call wants a service before its own limit
calls.py       which calls for an earlier service still stand
choose.py      the fluid chosen for a single vehicle
claims.py      what service history says of the odometer, gathered; questions about it
crossing.py    totals on given days; the instant a limit was reached
defer.py       leave to do a service later; beyond its tolerance a second person agrees
differing.py   stored dates that computing anew would not find
doubt.py       service history that the readings contradict
explain.py     why a service is due when it is, in a few lines
forecast.py    writes due dates; how wide a band says "take a reading first"
frost.py       frost that coolant must stand: the depot's coldest month (none is named winter)
gather.py      all that due dates rest on, as arrays
late.py        what is late, in SQL
listing.py     due dates as listed; by which rule one is overdue, probably overdue, due this month
lives.py       life used, stretch by stretch; the day a limit was passed
moves.py       due dates that moved far, how far is far, and why
neighbours.py  accepted readings last before and first after an instant
ordering.py    in which order dates are listed and grouped
periods.py     how many fall due when (near horizons); which are late and by how much
read_off.py    totals that papers tell are readings like any other
record.py      services done, fills and top-ups written down, corrected, taken back
rules.py       services, limits and working calendars as tables
running.py     how much a vehicle runs, in words; the sum that leads to a due date
segments.py    which duty class was in force from which day
split.py       how much of a life each duty class used, in words
stamps.py      which vehicles must be computed anew
widening.py    the factor in force on bands
"""
