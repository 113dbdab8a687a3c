"""Lessons: pages that run in any browser, sheets and keys on paper, from one source of text.

A lesson is data (`parts.py`): steps that ask for a prediction before their control unlocks, and
tasks with variants. `power_factor.py` and its neighbours hold answers, which the library computes,
and `texts/` what is said. `page.py` writes the pages; the code of a page is in `web/`, with small
formulas of its own (`models.js`) that `tests/browser` compares with the library over the whole
range of each slider.
"""
