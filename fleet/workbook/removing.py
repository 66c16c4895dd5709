"""How to take away what a book no longer has: loading itself never deletes."""

ADDRESS = "/admin/"  # of the set-up pages, for who may set up
BELOW = {
    "Closures": "its depot",
    "Climate": "its depot",
    "Product claims": "its product",
    "Packs": "its item",
    "Limits": "its service",
    "Check figures": "its service",
    "Steps": "its procedure",
    "Fasteners": "its procedure",
    "Tools": "its procedure",
    "Materials": "its procedure",
}
OWN = {
    "Vehicles": "write its row with the status sold: its history stays, and nothing falls due",
    "Other work": "end it at its vehicle: that it was there stays in its history",
    "Duty criteria": "write its row with 'In force' no",
}
BY_ITSELF = (
    *("Workshops", "Bays", "Mechanics", "Mechanics away", "Vehicles away", "Blocked days"),
    *("Spared types", "Service needs"),
)
RECORDS = ("Depot stays", "Meter changes", "Service history", "Fills", "Usage sheets")


def how_to_remove(sheet: str) -> str:
    """One clause: what to do with a row of this sheet that is to go."""
    if sheet in OWN:
        return OWN[sheet]
    if sheet in BELOW:
        return f"delete it below {BELOW[sheet]} on the set-up pages ({ADDRESS})"
    if sheet in BY_ITSELF:
        return f"delete it on the set-up pages ({ADDRESS})"
    if sheet in RECORDS:
        return "what happened is kept: load its row with what is right, and that takes its place"
    return "it stays, as other rows may rest on it: load its row with what is right"
