"""A night tells that due dates have followed what came before it: who hangs on them acts then."""

from django.dispatch import Signal

dated = Signal()  # of ``depot_ids``, resting on all that came ``before``; with the ``actor``
