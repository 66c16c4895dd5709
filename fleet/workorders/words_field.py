"""A field of the administration pages for words with ; between them."""

from typing import Any

from django import forms


class Listed(forms.CharField):
    """Words with ; between them."""

    def prepare_value(self, value: Any) -> Any:
        return "; ".join(value) if isinstance(value, (list, tuple)) else value

    def to_python(self, value: Any) -> Any:
        parts = (part.strip() for part in str(value or "").split(";"))
        return list(dict.fromkeys(part for part in parts if part))
