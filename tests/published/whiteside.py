"""A house's gas before and after its walls were insulated, and the flow of a river: where they are.

`whiteside` of MASS (Venables & Ripley, Modern Applied Statistics with S): weekly gas (1000 cubic
feet) and mean outdoor temperature (deg C), 26 weeks before and 30 after cavity insulation; from
the UK Building Research Station. `Nile` of R's datasets: annual flow at Aswan
1871 to 1970 (Cobb 1978, Biometrika 65, 243-251). Both are read from the archive inside the package
pydataset 0.2.0, which is never imported.
"""

import hashlib
import io
import tarfile
from importlib.metadata import distribution
from pathlib import Path

import pandas as pd

SHA256 = "ab30a6fb322491c3fee4fe1040c37c807c40f1732dc9318c757395319be77bd1"


def table(name: str) -> pd.DataFrame:
    """Read a table of the archive, such as "MASS/whiteside"."""
    path = Path(distribution("pydataset").locate_file("pydataset/resources.tar.gz"))
    content = path.read_bytes()
    assert hashlib.sha256(content).hexdigest() == SHA256, f"{path} is another edition"
    with tarfile.open(fileobj=io.BytesIO(content)) as archive:
        file = archive.extractfile(f"resources/rdata/csv/{name}.csv")
        assert file is not None
        return pd.read_csv(file, index_col=0)
