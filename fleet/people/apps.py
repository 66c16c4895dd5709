from django.apps import AppConfig


class PeopleConfig(AppConfig):
    name = "fleet.people"
    verbose_name = "People"
