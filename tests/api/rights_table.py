"""Who may do what at the API, written by hand: role by role for each route.

``yes``: done within one's own depots, and not found (404) beyond them. ``no``: 403 anywhere.
"""

ROLES = ("supervisor", "clerk", "mechanic", "stores", "engineer", "viewer")

TABLE = """
GET                                                                     yes yes yes yes yes yes
GET   schema                                                            yes yes yes yes yes yes
GET   vehicles                                                          yes yes yes yes yes yes
GET   vehicles/<str:fleet_number>                                       yes yes yes yes yes yes
PATCH vehicles/<str:fleet_number>                                       yes no  no  no  no  no
GET   vehicles/<str:fleet_number>/due-dates/<slug:service>/explanation  yes yes yes yes yes yes
GET   readings                                                          yes yes yes yes yes yes
POST  readings                                                          yes yes yes no  no  no
POST  readings/telematics                                               yes yes yes no  no  no
GET   readings/<int:reading_id>                                         yes yes yes yes yes yes
POST  readings/<int:reading_id>/settle                                  yes yes no  no  no  no
GET   uploads                                                           yes yes yes yes yes yes
POST  uploads                                                           yes yes yes no  no  no
GET   uploads/<int:upload_id>                                           yes yes yes yes yes yes
GET   uploads/<int:upload_id>/rows                                      yes yes yes yes yes yes
GET   usage                                                             yes yes yes yes yes yes
GET   duty                                                              yes yes yes yes yes yes
GET   duty/overrides                                                    yes yes yes yes yes yes
POST  duty/overrides                                                    yes no  no  no  no  no
GET   due-dates                                                         yes yes yes yes yes yes
GET   calibration                                                       yes yes yes yes yes yes
GET   runs                                                              yes yes yes yes yes yes
POST  runs/night                                                        yes no  no  no  no  no
"""


def table() -> dict[tuple[str, str], dict[str, bool]]:
    """(method, pattern) to what each role may."""
    found = {}
    for line in TABLE.strip().splitlines():
        words = line.split()
        allowed, (method, *pattern) = words[-len(ROLES) :], words[: -len(ROLES)]
        found[method, "".join(pattern)] = {
            role: word == "yes" for role, word in zip(ROLES, allowed, strict=True)
        }
    return found
