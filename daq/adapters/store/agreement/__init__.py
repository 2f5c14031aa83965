"""Comparisons of every stored copy of a fact with the other copies and with the audit trail."""
