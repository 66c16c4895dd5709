"""Whether past dates came true, what was said then, and by how much bands are widened.

backtest.py     the fleet's past readings replayed and scored
earlier.py      what would have been said months ago of a service
fault_trial.py  planted faults: how many the verdicts notice
histories.py    accepted readings as arrays for a replay
widen.py        the month's look back, and the new factor that it puts on bands
"""
