"""The report: one self-contained page, a module a section; ``page.render`` does it all."""
