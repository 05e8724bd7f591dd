"""Readings that a utility hands over where its customer allows it: Green Button Connect My Data (NAESB REQ.21, ESPI
1.1 and 3.3) with OAuth 2 (RFC 6749, 7636, 7009)."""
