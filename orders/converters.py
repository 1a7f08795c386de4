"""An order number in an address."""

from django.urls import register_converter

NUMBER = r"[A-Za-z0-9-]{1,24}"


class OrderNumber:
    regex = NUMBER

    def to_python(self, value: str) -> str:
        return value

    def to_url(self, value: str) -> str:
        return value


register_converter(OrderNumber, "order_number")
