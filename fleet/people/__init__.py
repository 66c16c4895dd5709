"""Who may do what, and where: persons, roles, tokens, sign-in links, saved views."""
