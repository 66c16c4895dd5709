"""What will be used, month by month, and what to order.

admin.py     use per km of a vehicle type in the administration pages
ahead.py     what a depot will use of each item in each stretch ahead, as distributions
apps.py      proposals follow every move of stock and every order on its way
backtest.py  forecasts of past months against what was used; which moves count as use
demand.py    the forecast of demand written, month by month
fluids.py    vehicles that get another fluid than the rest, forecast apart
gather.py    what demand rests on: due dates and usage, vehicle by service
learn.py     counted from records: parts that broke, top-ups, use per km, spread of a class
listing.py   demand, run-out days and proposals as shown
models.py    MonthlyDemand, FirstForecast, OrderProposal, TransferProposal, StockNeed, PerKmUse
position.py  on hand, on order, needed; how late an order still counts
propose.py   what to order now, until when it must last; transfers first; noted as ordered
recipes.py   items a service takes; only one-time fixings break; steps of fluids [mL]
watched.py   since when top-ups are recorded, and which vehicles were there
"""
