"""Pages about work orders.

changes.py        which buttons a person is offered on an order, and what each does
confirms.py       points confirmed from a form
costs.py          the page Costs
decisions.py      what waits for a supervisor: overdue services, jobs that came back
drafting.py       rows of Due chosen for orders
job_card.py       the page of the job card, its QR code and photos
kept.py           what was recorded, in words
lines.py          orders as listed: states, filters, urgency
marks.py          what stands beside a due service: order, deferral, do not use
odometer.py       what stands beside the odometer of an order
order_papers.py   papers, records taken back, substitutes
records.py        records from a form or a phone's queue
releasing.py      orders released from the list; what lacks a day or a mechanic
todays_orders.py  Today's orders, and the script for work offline
typed_torques.py  torques in the unit that a form showed
work_order.py     the page of one order
work_orders.py    the page Work orders
"""
