"""Invoices: what a visit costs, as it was printed, what was credited of it, and what was paid.

A draft is the office's to change. Once issued, an invoice and its lines stay as they are: a credit note corrects it, a
counter-entry undoes a payment. What is printed on it is copied here, so that it outlives the customer's own row.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import F, OuterRef, Q, Subquery, Sum
from django.db.models.functions import Cast, Coalesce, Round
from django.utils.translation import gettext_lazy

from portal.models.people import Business, Customer, Language, Role, User
from portal.models.record import VisitEntry
from portal.models.visit import Visit

CENTS = 100


class InvoiceKind(models.TextChoices):
    INVOICE = "invoice", gettext_lazy("Invoice")
    CREDIT = "credit", gettext_lazy("Credit note")


class InvoiceState(models.TextChoices):
    DRAFT = "draft", gettext_lazy("To be issued")
    ISSUED = "issued", gettext_lazy("Issued")
    WAIVED = "waived", gettext_lazy("Not charged")


class IssuedForGood(Exception):
    """Somebody tried to change or delete what is issued: a mistake of ours, never of a user's."""


def _cents(name: str) -> Cast:
    """An amount in whole cents. SQLite keeps decimals as floats: sums of them are exact in whole numbers only."""
    return Cast(Round(F(name) * CENTS), models.BigIntegerField())


class InvoiceQuerySet(models.QuerySet["Invoice"]):
    def visible_to(self, user: User | AnonymousUser) -> InvoiceQuerySet:
        """The office's, the homeowner's own, and those of a technician's own visits where the firm shows prices."""
        if not user.is_authenticated:
            return self.none()
        worked = Visit.objects.filter(
            technicians=user,
            site__customer__business__technicians_see_prices=True,
            site__customer__business__memberships__user=user,
            site__customer__business__memberships__role=Role.TECHNICIAN,
        ).values("pk")
        issued = Q(state=InvoiceState.ISSUED)
        return self.filter(
            Q(business__in=Business.objects.managed_by(user))
            | issued & Q(customer__user=user)
            | issued & Q(visit__in=worked)
        )

    def managed_by(self, user: User | AnonymousUser) -> InvoiceQuerySet:
        return self.filter(business__in=Business.objects.managed_by(user))

    def issued(self) -> InvoiceQuerySet:
        return self.filter(state=InvoiceState.ISSUED)

    def drafts(self) -> InvoiceQuerySet:
        return self.filter(state=InvoiceState.DRAFT)

    def with_open(self) -> InvoiceQuerySet:
        """Each with ``open_cents``: its total less what was credited and paid; below nothing where too much came."""
        credited = Invoice.objects.filter(corrects=OuterRef("pk"), state=InvoiceState.ISSUED).order_by()
        paid = Payment.objects.filter(invoice=OuterRef("pk")).order_by()
        return self.annotate(
            open_cents=_cents("total")
            - Coalesce(Subquery(credited.values("corrects").annotate(sum=Sum(_cents("total"))).values("sum")), 0)
            - Coalesce(Subquery(paid.values("invoice").annotate(sum=Sum(_cents("amount"))).values("sum")), 0)
        )

    def unpaid(self) -> InvoiceQuerySet:
        """Issued invoices of which something is still open, with what it is."""
        return self.issued().filter(kind=InvoiceKind.INVOICE).with_open().filter(Q(open_cents__gt=0))

    def update(self, **fields: Any) -> int:
        if self.issued().exists():
            raise IssuedForGood
        return super().update(**fields)

    def delete(self) -> tuple[int, dict[str, int]]:
        if self.issued().exists():
            raise IssuedForGood
        return super().delete()


class Invoice(models.Model):
    """An invoice or a credit note, as it is printed."""

    business = models.ForeignKey(Business, models.PROTECT, related_name="invoices")
    customer = models.ForeignKey(Customer, models.SET_NULL, null=True, related_name="invoices")
    visit = models.ForeignKey(Visit, models.SET_NULL, null=True, related_name="invoices")
    corrects = models.ForeignKey("self", models.PROTECT, null=True, related_name="credits")
    kind = models.CharField(max_length=8, choices=InvoiceKind, default=InvoiceKind.INVOICE)
    state = models.CharField(max_length=8, choices=InvoiceState, default=InvoiceState.DRAFT)
    made_at = models.DateTimeField()
    reason = models.CharField(max_length=250, blank=True, help_text="Why it was credited, or not charged.")

    year = models.PositiveSmallIntegerField(null=True)
    number = models.PositiveIntegerField(null=True, help_text="Without gaps within a firm and year.")
    issued_on = models.DateField(null=True)
    issued_by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="invoices_issued")
    due_on = models.DateField(null=True)

    # as printed
    seller_name = models.CharField(max_length=120, blank=True)
    seller_address = models.TextField(blank=True)
    tax_words = models.TextField(blank=True)
    buyer_name = models.CharField(max_length=120)
    buyer_address = models.CharField(max_length=250)
    done_on = models.DateField(help_text="The day of the work.")
    crew = models.CharField(max_length=250, blank=True, help_text="Who did it.")
    language = models.CharField(max_length=5, choices=Language)
    currency = models.CharField(max_length=3)
    tax_name = models.CharField(max_length=30, blank=True)
    prices_include_tax = models.BooleanField(default=False)
    iban = models.CharField(max_length=34, blank=True)
    bic = models.CharField(max_length=11, blank=True)
    net = models.DecimalField(max_digits=10, decimal_places=2, null=True)
    tax = models.DecimalField(max_digits=10, decimal_places=2, null=True)
    total = models.DecimalField(max_digits=10, decimal_places=2, null=True)

    objects = InvoiceQuerySet.as_manager()

    class Meta:
        ordering = ["-year", "-number", "-pk"]
        constraints = [
            models.UniqueConstraint(fields=["business", "year", "number"], name="invoice_number_once"),
            models.UniqueConstraint(fields=["visit"], condition=Q(state="draft"), name="one_draft_a_visit"),
            models.CheckConstraint(
                condition=~Q(state="issued")
                | Q(
                    number__isnull=False,
                    year__isnull=False,
                    issued_on__isnull=False,
                    due_on__isnull=False,
                    net__isnull=False,
                    tax__isnull=False,
                    total__isnull=False,
                ),
                name="issued_invoice_is_whole",
            ),
            models.CheckConstraint(
                condition=Q(kind="invoice", corrects=None) | Q(kind="credit", corrects__isnull=False, state="issued"),
                name="credit_note_corrects_one",
            ),
            models.CheckConstraint(condition=Q(state="issued") | Q(number=None), name="only_issued_are_numbered"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.label}".strip()

    @property
    def label(self) -> str:
        """Its number as it is printed; a draft has none."""
        return f"{self.year}-{self.number:04d}" if self.number is not None else ""

    @property
    def open_amount(self) -> Decimal:
        """What :meth:`InvoiceQuerySet.with_open` put beside it, as money."""
        return Decimal(int(getattr(self, "open_cents", 0) or 0)).scaleb(-2)

    def save(self, *args: Any, **kwargs: Any) -> None:
        if self.pk and Invoice.objects.filter(pk=self.pk, state=InvoiceState.ISSUED).exists():
            raise IssuedForGood
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        if self.state == InvoiceState.ISSUED:
            raise IssuedForGood
        return super().delete(*args, **kwargs)


class LineKind(models.TextChoices):
    WASH = "wash", gettext_lazy("Washing")
    EXTRA = "extra", gettext_lazy("Extra work")


class InvoiceLineQuerySet(models.QuerySet["InvoiceLine"]):
    def update(self, **fields: Any) -> int:
        if self.filter(invoice__state=InvoiceState.ISSUED).exists():
            raise IssuedForGood
        return super().update(**fields)

    def delete(self) -> tuple[int, dict[str, int]]:
        if self.filter(invoice__state=InvoiceState.ISSUED).exists():
            raise IssuedForGood
        return super().delete()


class InvoiceLine(models.Model):
    """One line; its amount holds the tax where the invoice's prices do."""

    invoice = models.ForeignKey(Invoice, models.CASCADE, related_name="lines")
    kind = models.CharField(max_length=8, choices=LineKind, default=LineKind.WASH)
    words = models.CharField(max_length=250)
    amount = models.DecimalField(max_digits=10, decimal_places=2, null=True, blank=True)
    tax_percent = models.DecimalField(max_digits=5, decimal_places=2)
    agreed_by = models.CharField(max_length=120, blank=True, help_text="Who said yes to an extra, on the spot.")
    entry = models.ForeignKey(VisitEntry, models.SET_NULL, null=True, related_name="invoice_lines")
    corrects = models.ForeignKey("self", models.PROTECT, null=True, related_name="credits")

    objects = InvoiceLineQuerySet.as_manager()

    class Meta:
        ordering = ["pk"]
        constraints = [models.UniqueConstraint(fields=["invoice", "entry"], name="an_extra_is_charged_once")]

    def __str__(self) -> str:
        return self.words

    def save(self, *args: Any, **kwargs: Any) -> None:
        self._refuse_issued()
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        self._refuse_issued()
        return super().delete(*args, **kwargs)

    def _refuse_issued(self) -> None:
        if Invoice.objects.filter(pk=self.invoice_id, state=InvoiceState.ISSUED).exists():
            raise IssuedForGood


class InvoiceTax(models.Model):
    """The tax of one rate on an issued invoice: what it is charged on, and how much it is."""

    invoice = models.ForeignKey(Invoice, models.CASCADE, related_name="taxes")
    percent = models.DecimalField(max_digits=5, decimal_places=2)
    taxable = models.DecimalField(max_digits=10, decimal_places=2)
    tax = models.DecimalField(max_digits=10, decimal_places=2)

    class Meta:
        verbose_name_plural = "invoice taxes"
        ordering = ["percent", "pk"]
        constraints = [models.UniqueConstraint(fields=["invoice", "percent"], name="tax_once_a_rate")]

    def __str__(self) -> str:
        return f"{self.percent} %: {self.tax}"


class Method(models.TextChoices):
    CASH = "cash", gettext_lazy("Cash")
    CARD = "card", gettext_lazy("Card")
    TRANSFER = "transfer", gettext_lazy("Transfer")


class PaymentQuerySet(models.QuerySet["Payment"]):
    def visible_to(self, user: User | AnonymousUser) -> PaymentQuerySet:
        """Payments are the office's to look after."""
        return self.filter(invoice__business__in=Business.objects.managed_by(user))

    def update(self, **fields: Any) -> int:
        raise IssuedForGood

    def delete(self) -> tuple[int, dict[str, int]]:
        raise IssuedForGood


class Payment(models.Model):
    """Money that came, or went back where the amount is below nothing. Only added; a counter-entry undoes one."""

    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="payments")
    client_id = models.UUIDField(help_text="Made with the form: the same payment sent twice is one.")
    amount = models.DecimalField(max_digits=10, decimal_places=2)
    method = models.CharField(max_length=8, choices=Method)
    received_on = models.DateField()
    taken_by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="payments_taken")
    taken_by_name = models.CharField(max_length=120, help_text="As they were called then.")
    entered_at = models.DateTimeField()
    entered_by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="payments_entered")
    undoes = models.OneToOneField("self", models.PROTECT, null=True, related_name="undone_by")

    objects = PaymentQuerySet.as_manager()

    class Meta:
        ordering = ["received_on", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["invoice", "client_id"], name="payment_arrives_once"),
            models.CheckConstraint(condition=~Q(amount=0), name="payment_of_something"),
        ]

    def __str__(self) -> str:
        return f"{self.invoice}: {self.amount} {self.get_method_display()}"

    @property
    def undone(self) -> bool:
        return hasattr(self, "undone_by")

    def save(self, *args: Any, **kwargs: Any) -> None:
        if self.pk:
            raise IssuedForGood
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        raise IssuedForGood
