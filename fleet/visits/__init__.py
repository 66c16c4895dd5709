"""Workshop days: which vehicle comes in on which day, and what is done together.

admin.py          workshops, bays, mechanics and days away in the administration pages
also.py           what else a vehicle that comes in could have done
apps.py           every finding that comes becomes other work to plan
bay_fit.py        which bay takes which vehicle
behind.py         why a late service waits while another visit has a place before it
board.py          the visits of some days, in the order shown and printed
calendar_feed.py  published days as a calendar to subscribe to
cannot.py         what no day can hold, and what would mend it
early.py          what is done long before it is due, in a sentence
events.py         history of what people did to a plan
fit.py            extra minutes with which a plan would fit
fixed_days.py     whether a fixed day of other work can be kept; which days near it could
gather.py         all that a plan rests on; within how many days nothing moves
hands.py          who gets the orders of a visit (who_has), and whether they are there
labour.py         minutes of a service, by the book or learnt; how far back; without a procedure
limits.py         BlockedDays, SparedType
listing.py        plans, services and promises as listed
minutes.py        how the minutes of a visit come about
missing.py        what of a visit no order has yet
models.py         Workshop with its prices, Bay, Mechanic, Absence, OtherWork, Plan, Visit, Promise
moves.py          a visit moved by hand, locked, freed
naive.py          the plan beside two usual ways
order_days.py     days of orders asked about; release and start on them
other_work.py     other work: entered, corrected, ended; minutes and day of a finding's
overtaken.py      orders with another day than the plan has for what they do, in words
parts.py          what planned services take from stores, against what is there and coming
places.py         bays and mechanics day by day; leave; what is taken where none are entered
plan.py           plans a depot; how many days ahead, how long at most, how long kept
promises.py       days that somebody was told (they stand against every plan), how that ended
publish.py        a plan's visits become days and mechanics of drafted orders
refusals.py       why a day cannot hold a visit, in a sentence
rename.py         a mechanic called as their person is now, in every plan
replan.py         a plan anew while somebody waits
set_out.py        bay and mechanic of each visit; a van stays with whoever has it
set_up.py         bays, mechanics, needs, days away and blocked days entered and removed
task.py           a depot's rows as a task: cost of each day, limits, crew; when a round joins
unfit.py          visits whose fixed day holds them no more, and which would
waits.py          which services wait for a part, till when, and what would mend it
unplanned.py      what unplanned work took of the minutes lately
weigh.py          what another day for a visit would cost
work_rows.py      other work as listed, each with its state
workshop_data.py  what is entered about workshops, as lists
"""
