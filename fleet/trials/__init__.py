"""Whether a dearer fluid is worth its price: two products, compared at equal fluid age.

models/      rows of field trials
ages.py      how old a fluid was when rated or sampled
approve.py   what a longer interval requires, and the decision
assign.py    vehicles drawn into groups and given their fluid for the trial; days left out
blind.py     who may know the product; whose ratings count as blind
cost.py      both products' cost per 1,000 km; the break-even
details.py   all of a result beside its verdict
evaluate.py  interim looks, the one evaluation at the end, ending early
gather.py    a trial's vehicles, ratings and fluid ages as arrays
lab.py       lab values by fluid age, top-ups taken out; limits
listing.py   trials as listed
note.py      history of a change; the right to make it
outcome.py   what of a result may be shown; the verdict in words
paying.py    for which vehicles a dearer fluid can pay
rate.py      ratings and lab samples taken in
seasons.py   how warm the months of ratings were
set_up.py    a trial set up; vehicles needed; its assumptions
starts.py    whether each vehicle began with a fresh change
take_back.py a lab sample taken back, the record kept
take_in.py   ratings and samples from a spreadsheet
"""
