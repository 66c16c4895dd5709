"""Who may do what, and where: persons, roles, tokens, sign-in links, saved views.

actor.py       who acts, by which channel, when
admin.py       people in the administration pages
apps.py        the administration site is the program's own
attempts.py    waits after failed sign-ins: from how many, how long
forget.py      name, address and keys replaced on request
links.py       single-use sign-in links of a demo, and for how many hours
manage.py      people added and changed; deputies; new passwords; depots where one decides alone
models.py      Person, Role, Token, SignInLink, Failures, SavedView
roles.py       which role has which right; whom a person sees and may change; deputies
setting_up.py  who reaches the administration pages, and what they see
tokens.py      keys for programs: scopes, how long they last
"""
