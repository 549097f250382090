"""The bench app: one module a page, no formula."""
