"""What a person who answers for vehicles has to know first: what is due, what needs them, what
happened since they last looked.

models.py  LastSeen, WorkAhead, VehicleAhead
needs.py   what waits for a person, in the order of Kind; after how long a vehicle counts unread
parts.py   what each vehicle brings into the weeks ahead, anew only where it changed
seen.py    since when a person is told; how long one visit lasts
since.py   what happened since, and how much of a kind is told
steps.py   how far an empty fleet has come to its first due date
weeks.py   work falling due in the weeks ahead against the workshop's minutes
weeks_shown.py  the same as charts show it, and when hours are short
"""
