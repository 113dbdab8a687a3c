"""`python -m homeenergy.show.lesson`: put the texts of the lessons into the teaching notebooks."""

from pathlib import Path

from homeenergy.show.lesson.notebook import write_notebooks

if __name__ == "__main__":
    write_notebooks(Path(__file__).parents[3] / "notebooks")
