"""What would change if: twelve months under changed terms beside today's, worked out on copies.

models.py    questions that were asked, and their answers
rows.py      a list of changes from JSON or a sheet, every fault with its row and remedy
kinds.py     what can be changed, and where each kind is understood
amounts.py   "20000", "-5000", "+10 %", "x 0.5"
limits.py    limits, tolerances, early windows; intervals that hold for one product
duty.py      duty classes and criteria
capacity.py  mechanics, their minutes, bays, opening minutes
products.py  prices
vehicles.py  vehicles added, sold, moved; their use and how far they drive
copying.py   two copies of the database; one of them is changed
arm.py       one copy's twelve months, in a process whose database it is
terms.py     what holds from a day on, as arrays
year.py      one arm: settle due dates, plan, follow the days, count
compare.py   both arms side by side
answer.py    the answer in a sentence
ask.py       take a question, work it out, delete it; what more or fewer minutes cost
ready.py     what is asked most, to be filled in
listing.py   whose questions a person sees
"""
