// Facts in words, in the unit chosen: the rules of places.py to the letter.
const data = JSON.parse(document.getElementById("data").textContent);
const at = (id) => document.getElementById(id);
let unit = data.unit;

function say([value, half, kind], withUnit = true) {
  if (typeof value === "string") return inUnit(value);
  if (kind === "off" && inInches()) return inchesOff(value);
  if (kind === "least" && inInches()) return feetAndInches(value, (steps) => Math.floor(steps + 1e-6));
  if (kind === "tape" && inInches()) return feetAndInches(value) + (half === null ? "" : ` ± ${inchesOff(half)}`);
  const [factor, places, sign] = {
    length: [1 / data.per[unit], 2, ` ${data.names[unit]}`],
    tape: [1 / data.per[unit], 2, ` ${data.names[unit]}`],
    off: [1 / data.per[unit], 2, ` ${data.names[unit]}`],
    lower: [1 / data.per[unit], 2, ` ${data.names[unit]}`],
    least: [1 / data.per[unit], 2, ` ${data.names[unit]}`],
    grade: [100, 2, " %"],
    angle: [1, 1, "°"],
  }[kind];
  const spread = half === null ? null : half * factor; // half the 95 % interval
  const decimals = places + ((kind === "length" || kind === "tape") && spread !== null && spread < 0.01 ? 1 : 0);
  const pm = spread === null ? "" : ` ± ${roundedUp(spread, decimals).toFixed(decimals)}`;
  const least = ["lower", "least"].includes(kind), own = value * factor;
  const shown = kind === "off" ? roundedUp(own, decimals) : least ? -roundedUp(-own, decimals) + 0 : own;
  return shown.toFixed(decimals) + pm + (withUnit ? sign : "");
}

// How far off something may be is never said smaller, what it is at least never greater.
const roundedUp = (value, decimals) => Math.ceil(value * 10 ** decimals - 1e-6) / 10 ** decimals;

// Depths and taped lengths of a site taped in feet: as measure.py writes them.
const inInches = () => data.inches && unit !== "m";
const unitName = (kind) => (["tape", "off", "least"].includes(kind) && inInches() ? "ft, in" : data.names[unit]);

function eighths(steps) {
  const [inches, part] = [Math.floor(steps / 8) % 12, steps % 8];
  const by = part % 4 === 0 ? 4 : part % 2 === 0 ? 2 : 1;
  return [Math.floor(steps / 96), `${inches}${part ? ` ${part / by}/${8 / by}` : ""}"`];
}

function feetAndInches(metres, whole = Math.round) {
  const steps = whole((Math.abs(metres) / data.per[unit]) * 96);
  const [feet, rest] = eighths(steps);
  return `${metres < 0 && steps ? "-" : ""}${feet}' ${rest}`;
}

function inchesOff(metres) {
  const [feet, rest] = eighths(Math.ceil((metres / data.per[unit]) * 96 - 1e-6));
  return feet ? `${feet}' ${rest}` : rest;
}

// Lengths in prose, told by the no-break space before their m: as wording.py says them.
function inUnit(text) {
  const own = text.replace(/(± )?([+-]?)(\d+(?:\.(\d+))?)\u00a0m/g, (_, off, sign, number, decimals) => {
    const places = decimals?.length ?? 0, value = number / data.per[unit];
    return `${off ?? ""}${sign}${(off ? roundedUp(value, places) : value).toFixed(places)} ${data.names[unit]}`;
  });
  return own.replaceAll("\u00a0", " ");
}

const metres = (value) => say([value, null, "length"]);

function speak() {
  for (const cell of document.querySelectorAll("[data-fact]"))
    cell.textContent = say(JSON.parse(cell.dataset.fact), "withUnit" in cell.dataset);
  for (const prose of document.querySelectorAll("[data-prose]"))
    prose.textContent = inUnit(prose.dataset.prose);
  for (const name of document.querySelectorAll(".unit-name")) name.textContent = unitName(name.dataset.kind);
  for (const button of document.querySelectorAll("[data-unit]"))
    button.setAttribute("aria-pressed", String(button.dataset.unit === unit));
}
