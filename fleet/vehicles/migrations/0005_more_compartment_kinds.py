"""Kinds of compartment: automatic gearboxes, tail lift, battery loop, fuel filter and small ones."""

from django.db import migrations, models

KINDS = [
    ("engine", "Engine"),
    ("gearbox", "Gearbox"),
    ("automatic gearbox", "Automatic Gearbox"),
    ("dual-clutch gearbox", "Dual Clutch Gearbox"),
    ("final drive", "Final Drive"),
    ("transfer case", "Transfer Case"),
    ("reduction gear", "Reduction Gear"),
    ("cooling", "Cooling"),
    ("battery cooling", "Battery Cooling"),
    ("brake", "Brake"),
    ("clutch", "Clutch"),
    ("power steering", "Power Steering"),
    ("hydraulic", "Hydraulic"),
    ("tail lift", "Tail Lift"),
    ("exhaust fluid", "Exhaust Fluid"),
    ("fuel", "Fuel"),
    ("washer fluid", "Washer Fluid"),
    ("hub oil", "Hub Oil"),
    ("air dryer", "Air Dryer"),
    ("grease points", "Grease Points"),
]


class Migration(migrations.Migration):
    dependencies = [("vehicles", "0004_wheel_positions")]

    operations = [
        migrations.AlterField(name, "kind", models.CharField(choices=KINDS, max_length=24))
        for name in ("compartment", "historicalcompartment")
    ]
