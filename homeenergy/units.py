"""Constants that convert one unit into another. No unit objects: names carry the unit."""

S_PER_MIN = 60.0
S_PER_H = 3600.0
S_PER_DAY = 86400.0
WH_PER_KWH = 1000.0
NS_PER_S = 1_000_000_000
DAYS_PER_YEAR = 365.0
H_PER_DAY = S_PER_DAY / S_PER_H
H_PER_YEAR = DAYS_PER_YEAR * H_PER_DAY
