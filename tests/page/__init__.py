"""The page: templates, texts, scripts."""
