"""Work orders: what programs see and send.

actions.py      changes of an order and its jobs: release, plan, finish, sign off and so on
confirms.py     points confirmed
listed.py       the rows of the list, by what is asked for
records.py      torque, fluid, material, check, note, photo
releases.py     many orders released
shapes.py       how orders and records look
told.py         what each change of an order does, in the schema
withdrawals.py  records and findings taken back
work_orders.py  the list as answered, a mechanic's day, one order, new ones, outside work
"""
