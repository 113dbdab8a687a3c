"""Houses of a few circuits, made by hand."""

import numpy as np
import pandas as pd

from homeenergy.readings import import_logs, open_house


def made_house(
    folder, watts, *, period_s=60, start="2026-03-02T00:00Z", timezone="UTC", **settings
):
    """Import a house whose log holds `watts`, a dict of circuit to samples; NaN is left empty.

    `tariff` is (currency, price); `circuits` maps a circuit to further lines of house.toml, `top`
    holds lines for its beginning.
    """
    times = pd.date_range(start, periods=len(next(iter(watts.values()))), freq=f"{period_s}s")
    lines = ['name = "Mill house"', f'timezone = "{timezone}"']
    lines += settings.get("top", [])
    if "tariff" in settings:
        currency, price = settings["tariff"]
        lines += ["[tariff]", f'currency = "{currency}"', f"price_per_kwh = {price}"]
    for name in watts:
        lines += ["[[circuit]]", f'name = "{name}"', settings.get("circuits", {}).get(name, "")]
    lines += ["[[log]]", 'files = "logs/*.csv"', f"period_s = {period_s}", "[log.columns]"]
    lines += [f'{name} = "{name}"' for name in watts]
    (folder / "logs").mkdir(parents=True)
    (folder / "house.toml").write_text("\n".join(lines), encoding="utf-8")
    table = pd.DataFrame({"time": times.strftime("%Y-%m-%dT%H:%M:%SZ"), **watts})
    table.to_csv(folder / "logs" / "log.csv", index=False)
    import_logs(folder)
    return open_house(folder)


def switched(days, hours, *, on_w, lasts_h, rest_w=0.0, period_s=60):
    """Power of an appliance switched on at the same hours of every day."""
    hour = np.arange(days * 86_400 // period_s) * period_s / 3600 % 24
    on = np.zeros(hour.size, bool)
    for at in hours:
        on |= (hour >= at) & (hour < at + lasts_h)
    return np.where(on, on_w, rest_w)
