"""Which products are offered for the jobs of an order: those that its compartment accepts first."""

from fleet.stores.models import AcceptedFluid, Product, ProductClaim, Specification
from fleet.workorders.fluids_in import Choice, choices_of_jobs
from fleet.workorders.models import Job, Substitute
from tests.scene import INVENTED
from tests.workorders.conftest import Bay


def test_products_are_split_for_each_job_by_specification_grade_and_its_own_leave(
    bay: Bay, job: Job
) -> None:
    place = bay.oil.compartment
    spec = Specification.objects.create(slug="asked-for", name="Asked for", source=INVENTED)
    AcceptedFluid.objects.create(
        compartment=place, specification=spec, grade="75W-90", source=INVENTED
    )
    thick, fits, spare = (
        Product.objects.create(slug=slug, name=slug, grade=grade, source=INVENTED)
        for slug, grade in (("a-thick", "85W-140"), ("b-fits", "75W-90"), ("c-spare", "75W-90"))
    )
    for one in (thick, fits):
        ProductClaim.objects.create(product=one, specification=spec, source=INVENTED)
    nowhere = Job.objects.create(order=job.order, vehicle=bay.van, title="Wash")
    second = Job.objects.create(order=job.order, vehicle=bay.van, compartment=place, title="Top up")
    Substitute.objects.create(
        compartment=place,
        product=spare,
        job=second,
        reason="out of stock",
        source=INVENTED,
        person=bay.supervisor,
    )
    found = choices_of_jobs([job, nowhere, second])
    assert found[job.pk] == Choice((fits,), (thick, spare))
    assert found[second.pk] == Choice((fits, spare), (thick,))
    assert found[nowhere.pk] == Choice((), (thick, fits, spare))
