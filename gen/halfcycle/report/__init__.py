"""The report: one self-contained page that shows a design's work.

``page.render`` does it all, from ``contents.Contents``. Each ``*_section`` module turns one part of
a design into figures and tables (plain data); ``chart`` draws, ``formulas`` prints mathematics, and
``templates/report.html.j2`` lays the page out.
"""
