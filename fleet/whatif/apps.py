from django.apps import AppConfig


class WhatIfConfig(AppConfig):
    name = "fleet.whatif"
    verbose_name = "What if"
