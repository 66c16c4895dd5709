"""Depots and their climate, vehicle types, compartments, vehicles and their meters.

admin.py            depots, vehicle types and vehicles in the administration pages
closures.py         on which days a depot is closed, and why
edit.py             a vehicle's particulars changed; which may be
find.py             a vehicle by its fleet number, also a former one
models.py           Depot, Closure, ClimateMonth, VehicleType, Compartment, Vehicle, Meter
own_unit.py         figures in the unit of a vehicle's own meter
public_holidays.py  public holidays of a country or region
vin.py              a second look at a VIN: check digit
"""
