"""What is bought, kept and used: specifications, products, items, and the ledger of stock.

models/        rows of stores: catalogue, items, ledger
admin.py       products, grades, items in the administration pages
balance.py     what is on hand against moves and lots, in sentences
doubt.py       what is asked before stock moves: far too much, a date that is over
grades.py      data sheets that do not fit their grade
ledger.py      receive, use, write off, count, transfer, take back: all that moves stock
levels.py      on hand, on order, too old, by depot and item; lead times
lots.py        what is left of each lot
money.py       money in minor units and in words
moves.py       one move of the ledger, once under its key
ordering.py    orders on their way; in which pack an item is ordered
past_use.py    stock past its best before, in sentences
prices.py      unit price: as last paid, else as listed
read_off.py    to what a shelf can be read: decimals of sums that are shown
used_fluid.py  used fluid that a collector took
"""
