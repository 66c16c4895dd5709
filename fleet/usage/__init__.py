"""How much each vehicle runs: one small filter state per meter.

differing.py  states that a replay of all readings would not make, in sentences
earlier.py    earlier states of the filter to go on from
listing.py    how much vehicles run, as listed
measure.py    brings each meter's state up to its readings; since when one stands
models.py     UsageState, ClassRate, SeasonIndex
rates.py      usual km or h a day of a class, closed at each month's end
seasons.py    which class runs on a season, looked at each month's end
"""
