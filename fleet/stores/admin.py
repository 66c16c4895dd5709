from django.contrib import admin

from fleet.people.setting_up import RemovableRows, SetUpAdmin, Table
from fleet.stores.models import Product, ProductClaim, Specification


@admin.register(Specification)
class SpecificationAdmin(Table):
    list_display = ("name", "slug", "source")
    search_fields = ("name",)


class Claims(RemovableRows):
    model = ProductClaim


@admin.register(Product)
class ProductAdmin(SetUpAdmin):
    list_display = ("name", "grade", "slug", "source")
    search_fields = ("name", "grade")
    inlines = (Claims,)
