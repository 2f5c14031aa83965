"""The texts of the page, English and Korean, as data."""
