"""Signatures, reportable results as records, and decisions after a failed verification."""
