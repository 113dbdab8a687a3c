// Local time of the house: what its clock shows, and where ticks belong. Instants are in seconds.

const DAYS = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const DAY_S = 86400;
const CLOCK_STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200];
const DAY_STEPS = [1, 2, 3, 7, 14];
const MONTH_STEPS = [1, 2, 3, 6, 12, 24, 60, 120];
const two = (number) => String(number).padStart(2, "0");

// `offsets`: from when on the clock is how far from UTC, and the short name of that time.
export function makeClock(offsets) {
  const entry = (t) => {
    let i = offsets.length - 1;
    while (i > 0 && offsets[i][0] > t) i--;
    return offsets[i];
  };
  const local = (t) => t + entry(t)[1];
  const utc = (l) => l - entry(l - entry(l)[1])[1];
  const parts = (t) => {
    const d = new Date(Math.floor(local(t)) * 1000);
    return {
      year: d.getUTCFullYear(), month: d.getUTCMonth(), day: d.getUTCDate(), week: d.getUTCDay(),
      h: d.getUTCHours(), m: d.getUTCMinutes(), s: d.getUTCSeconds(),
    };
  };
  const date = (p, year = true) => `${DAYS[p.week]} ${p.day} ${MONTHS[p.month]}${year ? ` ${p.year}` : ""}`;
  const time = (p, seconds) => `${two(p.h)}:${two(p.m)}${seconds ? `:${two(p.s)}` : ""}`;
  const changes = offsets.slice(1).map(([at, offset, name], i) => {
    const hours = (offset - offsets[i][1]) / 3600;
    return { at, text: `clocks ${hours > 0 ? "forward" : "back"} ${Math.abs(hours)} h, now ${name}` };
  });

  function stamp(t, seconds = true) {
    const p = parts(t);
    // In the hour that comes twice, the zone's name tells which.
    const near = changes.some((change) => Math.abs(change.at - t) < 2 * 3600);
    return `${date(p)} ${time(p, seconds)}${near ? ` ${entry(t)[2]}` : ""}`;
  }

  function span(a, b) {
    const [from, to, seconds] = [parts(a), parts(b), b - a < 7200];
    const same = from.year === to.year && from.month === to.month && from.day === to.day;
    const until = same ? time(to, seconds) : `${date(to)} ${time(to, seconds)}`;
    return `${date(from)} ${time(from, seconds)} to ${until} (${lengthText(b - a)})`;
  }

  function dayOf(text) {
    const at = Date.parse(`${text}T00:00:00Z`) / 1000;
    return [utc(at), utc(at + DAY_S)];
  }

  function isoDay(t) {
    const p = parts(t);
    return `${p.year}-${two(p.month + 1)}-${two(p.day)}`;
  }

  // Ticks between two instants, at most about so many: {at, text, strong}.
  function ticks(a, b, most) {
    const least = (b - a) / Math.max(most, 1);
    const step = CLOCK_STEPS.find((s) => s >= least);
    if (step) return clockTicks(a, b, step);
    const days = DAY_STEPS.find((d) => d * DAY_S >= least);
    return days ? dayTicks(a, b, days) : monthTicks(a, b, MONTH_STEPS.find((m) => m * 30.4 * DAY_S >= least) ?? 120);
  }

  function clockTicks(a, b, step) {
    const found = [];
    // Up to an hour a step is the same on both sides of a change of the clocks.
    for (let l = Math.ceil(local(a) / step) * step, t = utc(l); t <= b; ) {
      if (t >= a) {
        const p = parts(t);
        const midnight = p.h + p.m + p.s === 0;
        found.push({ at: t, text: midnight ? date(p, false) : time(p, step < 60), strong: midnight });
      }
      l += step;
      t = step <= 3600 ? t + step : utc(l);
    }
    return found;
  }

  function dayTicks(a, b, days) {
    const found = [];
    // Weeks begin on Monday: the first of January 1970 was a Thursday.
    const shift = days >= 7 ? 3 : 0;
    for (let day = Math.ceil((local(a) / DAY_S + shift) / days) * days - shift; utc(day * DAY_S) <= b; day += days) {
      const p = parts(utc(day * DAY_S));
      found.push({ at: utc(day * DAY_S), text: `${p.day} ${MONTHS[p.month]}`, strong: p.day <= days });
    }
    return found;
  }

  function monthTicks(a, b, months) {
    const found = [];
    const first = parts(a);
    for (let k = Math.floor((first.year * 12 + first.month) / months) * months; ; k += months) {
      const t = utc(Date.UTC(Math.floor(k / 12), k % 12, 1) / 1000);
      if (t > b) return found;
      const text = k % 12 ? MONTHS[k % 12] : String(Math.floor(k / 12));
      if (t >= a) found.push({ at: t, text: months > 6 ? String(Math.floor(k / 12)) : text, strong: k % 12 === 0 });
    }
  }

  return { changes, stamp, span, dayOf, isoDay, ticks };
}

export function lengthText(s) {
  for (const [size, unit] of [[DAY_S, "days"], [3600, "h"], [60, "min"]]) {
    if (s >= 2 * size || (s >= size && unit !== "days")) return `${Number((s / size).toPrecision(3))} ${unit}`;
  }
  return `${Number(s.toPrecision(3))} s`;
}
