from django.apps import AppConfig
from django.contrib.admin import apps


class PeopleConfig(AppConfig):
    name = "fleet.people"
    verbose_name = "People"
    default = True


class AdministrationConfig(apps.AdminConfig):
    default_site = "fleet.people.setting_up.Site"
    default = False  # of this folder
