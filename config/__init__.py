"""How the program is set up and started.

commands/              the commands, one file per subject
__main__.py            python -m config
apps.py                the program as an application of Django
backup.py              everything into one file and back; which files
bar.py                 how far a command has come
celery.py              background work: the worker
checks.py              settings that do not go together, each with its remedy
cli.py                 the command line
database.py            migrations, and whether database and program fit
depot_export.py        one depot as tables that any program reads
doctor.py              what sumpwise doctor looks at
environment.py         readers of environment variables
errors.py              answers where no view answers
garbage.py             how often Python looks for garbage
health.py              alive and ready
lifeline.py            a child ends with its parent
logs.py                lines of the log; what is cut out of them
patience.py            a thread of the web server is lent to a request that has arrived
readiness.py           a part started by itself ends where it must not run
requests.py            a number for each request; nothing cached
serving.py             pages, API and night from one command; ports
settings.py            every setting: limits of the API, schedules, what an installation may set
settings_for_tests.py  settings of the tests
static_files.py        static files, compressed
supervisor.py          child processes kept alive
urls.py                where pages, API and administration are
webserver.py           gunicorn
whereabouts.py         no command makes a new installation of a mistyped data folder
wsgi.py                the program as a web server calls it
"""
