"""Invoices, payments and what a month came to."""
