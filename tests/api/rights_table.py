"""Who may do what at the API, written by hand: role by role for each route.

Questions are asked here by a supervisor: a viewer deletes none but their own.

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
GET   settlements                                                       yes yes yes yes yes yes
POST  settlements/<int:settlement_id>/withdraw                          yes yes no  no  no  no
GET   uploads                                                           yes yes yes yes yes yes
POST  uploads                                                           yes yes yes no  no  no
GET   uploads/<int:upload_id>                                           yes yes yes yes yes yes
POST  uploads/<int:upload_id>/mend                                      yes yes yes no  no  no
POST  uploads/<int:upload_id>/withdraw                                  yes yes no  no  no  no
POST  uploads/<int:upload_id>/rows/<int:row_number>/correct             yes yes yes no  no  no
GET   uploads/<int:upload_id>/rows                                      yes yes yes yes yes yes
GET   workbook-loads                                                    yes no  no  no  no  no
GET   workbook-loads/<int:load_id>                                      yes no  no  no  no  no
GET   workbook-loads/<int:load_id>/withdrawal                           yes no  no  no  no  no
POST  workbook-loads/<int:load_id>/withdraw                             yes no  no  no  no  no
GET   usage                                                             yes yes yes yes yes yes
GET   duty                                                              yes yes yes yes yes yes
GET   duty/overrides                                                    yes yes yes yes yes yes
POST  duty/overrides                                                    yes no  no  no  no  no
GET   depots/<slug:depot>/climate                                       yes yes yes yes yes yes
POST  depots/<slug:depot>/climate                                       yes no  no  no  no  no
GET   due-dates                                                         yes yes yes yes yes yes
GET   calibration                                                       yes yes yes yes yes yes
GET   trials                                                            yes yes yes yes yes yes
GET   trials/<slug:trial>                                               yes yes yes yes yes yes
GET   trials/<slug:trial>/result                                        yes no  no  yes yes yes
POST  trials/<slug:trial>/result                                        yes no  no  no  yes no
POST  trials/<slug:trial>/ratings                                       yes yes yes no  yes no
POST  trials/<slug:trial>/samples                                       yes no  no  no  yes no
POST  trials/<slug:trial>/samples/<int:sample_id>/take-back             yes no  no  no  yes no
GET   demand                                                            yes yes yes yes yes yes
GET   order-proposals                                                   yes yes yes yes yes yes
GET   transfer-proposals                                                yes yes yes yes yes yes
GET   plan                                                              yes yes yes yes yes yes
POST  plan                                                              yes no  no  no  no  no
GET   depots/<slug:depot>/fit                                           yes no  no  no  no  no
GET   visits                                                            yes yes yes yes yes yes
POST  visits/publish                                                    yes no  no  no  no  no
POST  visits/<int:visit_id>/move                                        yes no  no  no  no  no
POST  visits/<int:visit_id>/lock                                        yes no  no  no  no  no
POST  visits/<int:visit_id>/unlock                                      yes no  no  no  no  no
POST  visits/<int:visit_id>/promise                                     yes no  no  no  no  no
GET   other-work                                                        yes yes yes yes yes yes
POST  other-work                                                        yes no  no  no  no  no
POST  other-work/<int:work_id>/correct                                  yes no  no  no  no  no
POST  other-work/<int:work_id>/end                                      yes no  no  no  no  no
POST  other-work/<int:work_id>/reopen                                   yes no  no  no  no  no
GET   promises                                                          yes yes yes yes yes yes
GET   workshop-days                                                     yes yes yes yes yes yes
GET   workshops                                                         yes yes yes yes yes yes
POST  bays                                                              yes no  no  no  no  no
POST  bays/<int:bay_id>/correct                                         yes no  no  no  no  no
POST  bays/<int:bay_id>/remove                                          yes no  no  no  no  no
POST  mechanics                                                         yes no  no  no  no  no
POST  mechanics/<int:mechanic_id>/correct                               yes no  no  no  no  no
POST  mechanics/<int:mechanic_id>/remove                                yes no  no  no  no  no
POST  service-needs                                                     yes no  no  no  no  no
POST  service-needs/<int:need_id>/correct                               yes no  no  no  no  no
POST  service-needs/<int:need_id>/remove                                yes no  no  no  no  no
POST  absences                                                          yes no  no  no  no  no
POST  absences/<int:absence_id>/remove                                  yes no  no  no  no  no
POST  blocked-days                                                      yes no  no  no  no  no
POST  blocked-days/<int:blocked_id>/remove                              yes no  no  no  no  no
GET   service-needs                                                     yes yes yes yes yes yes
GET   what-ifs                                                          yes no  no  no  yes yes
POST  what-ifs                                                          yes no  no  no  yes yes
GET   what-ifs/<int:asked_id>                                           yes no  no  no  yes yes
DELETE what-ifs/<int:asked_id>                                          yes no  no  no  no  no
GET   costs                                                             yes yes yes yes yes yes
GET   used-fluid                                                        yes yes yes yes yes yes
POST  used-fluid                                                        yes no  no  yes no  no
GET   items                                                             yes yes yes yes yes yes
GET   stock                                                             yes yes yes yes yes yes
GET   stock-moves                                                       yes yes yes yes yes yes
POST  stock-moves                                                       yes no  no  yes no  no
POST  stock-moves/<int:move_id>/take-back                               yes no  no  yes no  no
GET   runs                                                              yes yes yes yes yes yes
POST  runs/night                                                        yes no  no  no  no  no
GET   work-orders                                                       yes yes yes yes yes yes
POST  work-orders                                                       yes no  no  no  no  no
POST  work-orders/outside                                               yes no  no  no  no  no
POST  work-orders/release                                               yes no  no  no  no  no
GET   work-orders/<str:number>                                          yes yes yes yes yes yes
GET   work-orders/<str:number>/card                                     yes yes yes yes yes yes
GET   work-orders/<str:number>/records                                  yes yes yes yes yes yes
GET   work-orders/<str:number>/records/<slug:kind>/<int:record_id>/withdraw  yes yes yes yes yes yes
POST  work-orders/<str:number>/records/<slug:kind>/<int:record_id>/withdraw  yes no yes no no no
POST  work-orders/<str:number>/notes                                    yes no  yes no  no  no
POST  work-orders/<str:number>/photos                                   yes no  yes no  no  no
GET   work-orders/<str:number>/photos/<int:photo_id>                    yes yes yes yes yes yes
POST  work-orders/<str:number>/release                                  yes no  no  no  no  no
POST  work-orders/<str:number>/take-back                                yes no  no  no  no  no
POST  work-orders/<str:number>/plan                                     yes no  no  no  no  no
POST  work-orders/<str:number>/assign                                   yes no  no  no  no  no
POST  work-orders/<str:number>/raise-by                                 yes no  yes no  no  no
POST  work-orders/<str:number>/arrive                                   yes no  yes no  no  no
POST  work-orders/<str:number>/start                                    yes no  yes no  no  no
POST  work-orders/<str:number>/wait                                     yes no  yes no  no  no
POST  work-orders/<str:number>/resume                                   yes no  yes no  no  no
POST  work-orders/<str:number>/finish                                   yes no  yes no  no  no
POST  work-orders/<str:number>/hand-back                                yes no  yes no  no  no
POST  work-orders/<str:number>/sign-off                                 yes no  no  no  no  no
POST  work-orders/<str:number>/late-seen                                yes no  no  no  no  no
POST  work-orders/<str:number>/add-jobs                                 yes no  no  no  no  no
POST  work-orders/<str:number>/drop-jobs                                yes no  no  no  no  no
POST  work-orders/<str:number>/cancel                                   yes no  no  no  no  no
POST  work-orders/<str:number>/correct                                  yes no  no  no  no  no
POST  jobs/<int:job_id>/end                                             yes no  yes no  no  no
POST  jobs/<int:job_id>/settle                                          yes no  no  no  no  no
POST  jobs/<int:job_id>/torque                                          yes no  yes no  no  no
POST  jobs/<int:job_id>/fluids                                          yes no  yes no  no  no
POST  jobs/<int:job_id>/materials                                       yes no  yes no  no  no
POST  jobs/<int:job_id>/checks                                          yes no  yes no  no  no
POST  jobs/<int:job_id>/confirms                                        yes no  yes no  no  no
GET   findings                                                          yes yes yes yes yes yes
POST  findings                                                          yes yes yes yes yes no
POST  findings/<int:finding_id>/close                                   yes no  yes no  no  no
GET   findings/<int:finding_id>/withdraw                                yes yes yes yes yes yes
POST  findings/<int:finding_id>/withdraw                                yes no  yes no  no  no
POST  findings/<int:finding_id>/follow-up                               yes no  no  no  no  no
POST  findings/<int:finding_id>/photos                                  yes yes yes yes yes no
GET   findings/<int:finding_id>/photos/<int:photo_id>                   yes yes yes yes yes yes
GET   restrictions                                                      yes yes yes yes yes yes
POST  restrictions/<int:restriction_id>/lift                            yes no  no  no  no  no
GET   do-not-use                                                        yes yes yes yes yes yes
POST  do-not-use                                                        yes yes yes yes yes yes
POST  do-not-use/<int:mark_id>/clear                                    yes no  no  no  no  no
GET   deferrals                                                         yes yes yes yes yes yes
POST  deferrals                                                         yes no  no  no  no  no
POST  deferrals/<int:deferral_id>/agree                                 yes no  no  no  no  no
POST  deferrals/<int:deferral_id>/withdraw                              yes no  no  no  no  no
GET   escalations                                                       yes yes yes yes yes yes
POST  escalations/<int:escalation_id>/answer                            yes no  no  no  no  no
GET   check-figures                                                     yes yes yes yes yes yes
POST  substitutes                                                       yes no  no  no  no  no
GET   chosen-fluids                                                     yes yes yes yes yes yes
POST  chosen-fluids                                                     yes no  no  no  no  no
POST  chosen-fluids/<int:chosen_id>/end                                 yes no  no  no  no  no
GET   vehicles/<str:fleet_number>/evidence                              yes yes yes yes yes yes
GET   on-time                                                           yes yes yes yes yes yes
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
