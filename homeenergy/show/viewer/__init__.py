"""The trace viewer: the browser draws, Python answers.

The page is plain modules in `web/`, which `page.py` joins to one text: nothing is built. What the
page asks is one method of `Answers` each (`answers.py`), the same over a widget's channel, over
HTTP and in a page that was saved with its answers. What is drawn is one function of `draw.js` each,
which also writes the SVG. The charting library in `web/uplot/` is unaltered; for another version
put its files and its `lock.json` there: `tests/show/test_browser_code.py` compares them with the
package.
"""
