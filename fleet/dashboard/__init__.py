"""The pages: what people see and click.

findings/              the page of findings
orders/                pages about work orders
readings/              pages about readings and uploads
stock/                 pages about stock and consumables
templatetags/          what templates call
trials/                pages about field trials
views/                 all other pages
visits/                pages about workshop days
acts.py                a form tried once, its answer or fault in words
assumptions.py         figures that forecasts rest on, as the Method page lists them
baseline_lines.py      rows of Baselines, and what was typed
calibration_charts.py  charts of how often dates came true
chart_frame.py         what the other charts share
charts.py              the odometer chart of a vehicle
downloads.py           lists as CSV or XLSX to keep
filters.py             filters and order of Due, as the address says them
fluid_choices.py       fluids chosen, on the page of a vehicle
frame.py               the frame of every page: menu by role (PAGES, OF_ROLES), depots, rights
overview_charts.py     charts of the weeks ahead and of what is late
overview_lines.py      words of the overview
plotly_bundle.py       the chart library's script
run_words.py           what a run did, in words
score_lines.py         how often dates came true, in words
shown_units.py         units in which whoever looks reads sums of fluid and temperatures
signin.py              signing in and out
life_bar.py            how much of a life each duty class used, as a bar
strip.py               the strip of a due date: how many days before and after today it shows
then_lines.py          forecasts made before, on the page of a vehicle
typed.py               a refused form shown again as it was typed
urls.py                addresses of the pages
vehicle_facts.py       duty, history and chart on the page of a vehicle
vehicle_forms.py       forms for a reading and for a duty class
what_if_lines.py       answers to What if in words, tables, charts
whole_numbers.py      whole numbers of an address or a form
words.py               how states, chances, dates, numbers and torques read

Templates stand in ``templates/dashboard``, scripts and style sheets in ``static/dashboard``, where
``tokens.css`` has every colour and size. Of work without a network: ``service-worker.js`` answers,
``at-hand.js`` keeps pages, ``queue.js`` sends records in their order, ``kept-records.js`` holds
them, ``waiting-list.js`` shows what waits, ``stopped.js`` what was not taken.
"""
