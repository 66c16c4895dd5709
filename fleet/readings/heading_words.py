"""What the headings of an odometer sheet are called: English, German, French, Spanish.

Written as ``headings.py`` compares them: small letters without accents and marks. Common usage,
no source.
"""

import re

_WORDS = {
    "vehicle": (
        "vehicle, vehicles, vehicle no, vehicle number, vehicle nr, vehicle id, vehicle code, veh, "
        "veh no, fleet, fleet no, fleet number, fleet nr, fleet id, fleet vehicle, unit no, "
        "unit number, unit id, van, van no, van number, truck, truck no, truck number, bus, "
        "bus no, bus number, car, car no, car number, asset, asset no, asset number, asset id",
        "fahrzeug, fahrzeuge, fahrzeug nr, fahrzeugnr, fahrzeugnummer, fahrzeug nummer, "
        "fahrzeug id, fzg, fzg nr, fzgnr, flottennummer, wagen, wagen nr, wagennr, wagennummer",
        "vehicule, vehicules, numero de vehicule, numero du vehicule, numero vehicule, "
        "no vehicule, no de vehicule, n vehicule, n de vehicule, num vehicule, numero de parc, "
        "no de parc, n de parc, n parc",
        "vehiculo, vehiculos, numero de vehiculo, numero del vehiculo, numero vehiculo, "
        "no vehiculo, no de vehiculo, n vehiculo, n de vehiculo, n o de vehiculo, n o vehiculo, "
        "num vehiculo",
    ),
    "date": (
        "date, day, reading date, date read, date of reading, read on, taken on, date taken, "
        "date time, date and time, date or time, datetime, timestamp, reading time stamp, "
        "taken at, read at, as of, when, odometer date",
        "datum, tag, ablesedatum, ablesetag, datum der ablesung, abgelesen am, stichtag, "
        "datum uhrzeit, datum und uhrzeit, zeitpunkt",
        "jour, date de releve, date du releve, date releve, date de lecture, date et heure, "
        "releve le, lu le",
        "fecha, dia, fecha de lectura, fecha de la lectura, fecha lectura, fecha y hora, leido el",
    ),
    "time": (
        "time, time of day, time of reading, reading time, clock, hour of day",
        "uhrzeit, zeit, ablesezeit",
        "heure, heure du releve, heure de releve",
        "hora, hora de lectura",
    ),
    "odometer": (
        "odometer, odo, odometer reading, odo reading, odometer value, mileage, mileage reading, "
        "km, mi, miles, kilometres, meter, meter reading, reading, distance, total distance, "
        "total km, km reading, odometer km, odometer mi, odometer miles",
        "kilometerstand, km stand, kmstand, kilometer, tacho, tachostand, zahlerstand, stand, "
        "laufleistung, gesamtkilometer, ablesung, meilen, meilenstand",
        "kilometrage, compteur, compteur km, km compteur, compteur kilometrique, kms, "
        "releve compteur, releve du compteur, releve kilometrique, index kilometrique",
        "kilometraje, odometro, lectura, lectura del odometro, lectura de odometro, "
        "lectura odometro, cuentakilometros, kilometros, km recorridos, millas",
    ),
    "hours": (
        "engine hours, engine hour, engine h, engine hrs, eng hours, eng hrs, hours, hrs, h, "
        "hour meter, hourmeter, hours meter, hour meter reading, operating hours, run hours, "
        "running hours",
        "betriebsstunden, motorstunden, stunden, betriebsstundenzahler",
        "heures, heures moteur, heures de moteur, heures de fonctionnement, heures de marche, "
        "compteur horaire, horametre",
        "horas, horas motor, horas de motor, horas del motor, horas de funcionamiento, "
        "horas de operacion, horometro",
    ),
    "unit": (
        "unit, units, uom, unit of measure, unit of distance, distance unit, odometer unit, "
        "km mi, km or mi, mi km",
        "einheit, masseinheit, einheiten",
        "unite, unites, unite de mesure",
        "unidad, unidades, unidad de medida",
    ),
    "note": (
        "note, notes, comment, comments, remark, remarks",
        "notiz, notizen, bemerkung, bemerkungen, kommentar, anmerkung, anmerkungen",
        "remarque, remarques, commentaire, commentaires, observation, observations",
        "nota, notas, comentario, comentarios, observacion, observaciones",
    ),
}
ROLES = {
    word.strip(): role
    for role, languages in _WORDS.items()
    for words in languages
    for word in words.split(",")
}
LOOSE = (
    (
        "odometer",
        re.compile(
            r"\b(odometer|odo|mileage|kilometerstand|km stand|tachostand|kilometrage|kilometraje"
            r"|odometro)\b"
        ),
    ),
    (
        "hours",
        re.compile(
            r"\b(engine|operating|running)\b.*\b(hours|hrs)\b|\b(betriebs|motor)stunden\b"
            r"|\bheures (de )?(moteur|fonctionnement)\b|\bhoras (de |del )?motor\b"
        ),
    ),
    (
        "vehicle",
        re.compile(
            r"\bfleet (no|number|id)\b|\bfahrzeug ?(nr|nummer)\b"
            r"|\b(numero|no|n) (de |du |del )?(vehicule|vehiculo)\b"
        ),
    ),
)
