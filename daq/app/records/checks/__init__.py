"""Verifications of an instrument and controls of a shift, as the audit trail has them."""
