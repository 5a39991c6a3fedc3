// What the pages write for a number, made a second time from the numbers of
// the JSON interface. Texts are compared after plain() has taken out the
// characters that only matter to the eye.

export const plain = (text) => text.replaceAll('\u00a0', ' ').replaceAll('\u202f', '').replaceAll('−', '-').replace(/\s+/g, ' ').trim();

// fixed rounds to a number of places; a value exactly between two goes to the
// even one. toFixed knows the exact value of a number, but rounds such a one up.
function fixed(value, places) {
  const exact = Math.abs(value).toFixed(100);
  const point = exact.indexOf('.');
  const rest = exact.slice(point + 1 + places);
  const last = exact.slice(0, point + 1 + places).replace('.', '').at(-1);
  const even = /^50*$/.test(rest) && Number(last) % 2 === 0;
  const text = even ? exact.slice(0, places === 0 ? point : point + 1 + places) : Math.abs(value).toFixed(places);
  return value < 0 && /[1-9]/.test(text) ? `-${text}` : text;
}

const three = (value) => fixed(value, Math.abs(value) < 9.995 ? 2 : 1);

export const count = (n) => String(n);

export function energy(mwh) {
  const wh = mwh / 1000;
  const size = Math.abs(wh);
  if (mwh === 0) return '0 kWh';
  if (size < 1) return '<1 Wh';
  if (size < 999.5) return `${fixed(wh, 0)} Wh`;
  if (size < 999_950) return `${three(wh / 1e3)} kWh`;
  if (size < 999_950_000) return `${three(wh / 1e6)} MWh`;
  return `${three(wh / 1e9)} GWh`;
}

export function percent(fraction) {
  const p = fraction * 100;
  if (p > 0 && p < 0.05) return '<0.1 %';
  if (p < 100 && p >= 99.95) return '>99.9 %';
  return p >= 99.95 || p === 0 ? `${fixed(p, 0)} %` : `${fixed(p, 1)} %`;
}

export const pace = (p) => `${fixed(p, 2)} ×`;

export const cycles = (n) => fixed(n, n < 999.95 ? 1 : 0);

export const celsius = (c) => `${fixed(c, 1)} °C`;

export const temps = (low, high) => {
  if (low === null) return 'unknown';
  return low === high ? celsius(low) : `${fixed(low, 1)} to ${celsius(high)}`;
};

export const rate = (c) => `${fixed(c, c < 0.0995 ? 3 : 2)} C`;

const months = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec'];

// date writes a day given as 2031-04-02.
export const date = (day) => {
  const [year, month, of] = day.split('-').map(Number);
  return `${of} ${months[month - 1]} ${year}`;
};

// moment writes an instant in a zone: 2 Apr 2031, 14:05.
export const moment = (ms, zone) => {
  const parts = new Intl.DateTimeFormat('en-GB', {
    timeZone: zone, year: 'numeric', month: 'numeric', day: 'numeric', hour: '2-digit', minute: '2-digit', hourCycle: 'h23',
  }).formatToParts(new Date(ms));
  const of = Object.fromEntries(parts.map((p) => [p.type, p.value]));
  return `${Number(of.day)} ${months[Number(of.month) - 1]} ${of.year}, ${of.hour}:${of.minute}`;
};

export function length(seconds) {
  const s = Math.round(seconds);
  const two = (a, ua, b, ub) => (b === 0 ? `${a} ${ua}` : `${a} ${ua} ${b} ${ub}`);
  if (s < 60) return `${s} s`;
  if (s < 3600) return two(Math.floor(s / 60), 'min', s % 60, 's');
  if (s < 86400) return two(Math.floor(s / 3600), 'h', Math.floor((s % 3600) / 60), 'min');
  return two(Math.floor(s / 86400), 'd', Math.floor((s % 86400) / 3600), 'h');
}

// The words of the pages for codes of the JSON interface.
export const flagTitles = { ahead: 'ahead of warranty', cold: 'charged cold', silent: 'silent', thin: 'thin data' };

export const measureNames = { 'cycle-life': 'cycle life by depth', efc: 'equivalent full cycles', energy: 'energy discharged' };

export const kindNames = {
  'cold-charge': 'cold charge', 'cold-discharge': 'cold discharge', 'hot-charge': 'hot charge', 'hot-discharge': 'hot discharge',
  'charge-rate': 'charge too fast', 'discharge-rate': 'discharge too fast', 'deep-discharge': 'deep discharge', 'hot-rest': 'too hot at rest',
};

const endings = {
  cold: 'cells warmed up to where the limit no longer binds', hot: 'cells cooled down to where the limit no longer binds',
  deep: 'state of charge came back above the floor', rate: 'temperature left the range of this limit',
};

// ending says how an episode ended.
export function ending({ kind, ending: how }) {
  const group = /hot|cold|deep/.exec(kind)?.[0] ?? 'rate';
  const state = { cold: ' while still cold', hot: ' while still hot' }[group] ?? '';
  return {
    open: 'still open: no later sample has come', 'within-limit': `went on within the limit${state} (curtailed, or short of power)`,
    stopped: 'stopped or changed direction', left: endings[group], unseen: 'not known: a gap followed, or samples without a rate',
  }[how];
}

// parseCSV reads a file as RFC 4180 has it, into rows by the names of the
// first line.
export function parseCSV(text) {
  const rows = [[]];
  let cell = '';
  let quoted = false;
  for (let i = 0; i < text.length; i++) {
    const c = text[i];
    if (quoted) {
      if (c !== '"') cell += c;
      else if (text[i + 1] === '"') { cell += '"'; i++; } else quoted = false;
    } else if (c === '"') quoted = true;
    else if (c === ',' || c === '\n') {
      rows.at(-1).push(cell.replace(/\r$/, ''));
      cell = '';
      if (c === '\n') rows.push([]);
    } else cell += c;
  }
  if (quoted || cell !== '' || rows.at(-1).length > 0) throw new Error('the file does not end with a line end');
  rows.pop();
  const [header, ...body] = rows;
  return body.map((r) => {
    if (r.length !== header.length) throw new Error(`a row has ${r.length} cells, the header ${header.length}`);
    return Object.fromEntries(header.map((name, i) => [name, r[i]]));
  });
}
