"""Arithmetic of the program: NumPy, SciPy and the standard library; no framework, no clock.

arrays.py           names of arrays; kilometres in a mile
breakage.py         one-time parts that break: the prior; top-ups, and their half-life
calendar.py         months and days of the year added to a date; working days
class_rates.py      usual km a day of a class, spread, seasons; how small classes borrow
climate.py          monthly means of daily temperatures; whole degrees told from tenths
common_factor.py    what vehicles of a class share in a busy month
confirm.py          a held reading that the next one proves right
convolve.py         whole distributions of totals over many vehicles
costs.py            an amount split to the cent; labour at its rate; cost per 1,000 km
demand.py           how often each service falls due in each month ahead, at 99 levels
doubt.py            totals at services that cannot have stood on their day, and what was meant
due.py              earliest likely, expected, latest likely day, their levels; the first limit
duty.py             when a compartment is severe, and how long it stays so
expectations.py     what a meter is expected to show next, and how a reading changes that
explanations.py     slips weighed for an odd reading (digits, miles, new meter), each with its prior
frost.py            how cold coolant must stay liquid
grades.py           whether a data sheet's figures fit the viscosity grade on the label
judging.py          working state of judging meters side by side
km_at.py            total km between accepted readings, and when a total was reached
labour.py           from how many jobs minutes are learnt; what is set aside; how the book counts
letters.py          letters typed where a digit belongs: O for 0, l for 1
level_paths.py      how far each meter gets in 99 equally likely futures
life.py             share of a service's life used when the duty class changes on the way
look_back.py        a lower reading may show that the last accepted one was wrong
lots.py             which lot is taken first; what is past its best before
magnitudes.py       quantities and prices of another order of magnitude
misreadings.py      invented faults put into clean readings, to try the verdicts
packs.py            whole packs for a need; what a job draws from a pack
passage.py          when a growing distance reaches a limit; beyond which day none is in sight
rebase.py           held readings that agree: new meter, roll-back or jump
replay.py           past readings replayed: what would have been forecast, what happened
scores.py           how good forecasts were: sharpness, bands, skill
seasons_then.py     seasons as they could be seen at past month ends
second_look.py      an odd reading weighed once more with the one after it
shelf_path.py       the day a shelf runs out, as expected
slips.py            questions about a torque or a quantity typed: tolerance, unit, decimal point
stamps.py           a number for a row or an input, to see whether anything changed
standing.py         when a vehicle counts as laid up, and how long it may stand on
stock_level.py      how many packs to order now
trial_ages.py       which fill was in, and how old it was
trial_cells.py      ratings compared at equal fluid age: bands, how long run-in lasts, warmth
trial_draw.py       groups drawn at random, or by matched pairs
trial_economics.py  cost per 1,000 km; from which interval a dearer fluid pays
trial_inference.py  difference of the groups, its interval and p, by re-drawing; the level of 5 %
trial_lab.py        how a property changes with fluid age; top-ups taken out
trial_odds.py       ratings read as grades in order
trial_power.py      how many vehicles a trial needs
trial_trend.py      whether ratings fall as the fluid ages
usage.py            filter of each meter's usage: level, excursion; when one is taken to stand
verdict_rows.py     rows into and out of judging; the codes of reasons
verdicts.py         accepted, held or rejected: how far off is odd; duplicates; future
visit_behind.py     what keeps a late visit from the place of one before it
visit_bound.py      the least a plan can cost; prices of scarce minutes
visit_columns.py    every visit that could be made, by vehicle, day and services
visit_costs.py      cost of a day for a service: lateness, life thrown away, left out
visit_days.py       sets of visits that fill a day whole
visit_effort.py     how much counted work goes into a plan
visit_exchange.py   two visits change their days where that is cheaper
visit_extra.py      extra minutes that would make a plan fit
visit_naive.py      two plain ways of giving days, to compare with
visit_plan.py       a depot's plan: bound, construct, improve
visit_reasons.py    why a service has its day and not the one it wants
visit_refusal.py    what is lacking on a day that cannot hold a visit
visit_rows.py       minutes by skill and by bay as limits of each day
visit_search.py     a plan built at the bound's prices, then improved
visit_solution.py   a plan in the making: what is left of each limit
visit_solver.py     linear and integer programs by HiGHS
weeks_ahead.py      what each vehicle adds to the weeks ahead, in sums it can be taken from
whole_jobs.py       whether each visit fits one bay and one mechanic
widening.py         by how much bands are widened when too few dates came true
year_ahead.py       a workshop's year in 99 futures: due, in, waiting, done
"""
