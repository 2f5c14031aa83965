"""Sheets of stored data: exports of readings, and the sheet of a day."""
