"""Pages about stock and consumables.

consumables.py  the page Consumables
lines.py        stock in words; ways of moving it
months.py       months of need as a small chart
proposals.py    what to order, noted as ordered
stock.py        the page Stock, and its form
"""
