"""Taking in customers' files: received, read by the worker into day blocks, asked about, undone.

The row in the ledger is the queue. Reading a file happens outside the transaction, which is short: it locks the meter,
looks whether this is still the newest attempt, and writes days, what they were before, and the ledger together.
A killed worker therefore leaves the row as it was, and the next poll begins again.
"""
