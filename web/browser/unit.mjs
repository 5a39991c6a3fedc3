// Tests of the page of a unit.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';
import { agree, clean, figures, open, table, texts } from './browser.mjs';
import { catalogue, cold, minutes } from './fixture.mjs';
import {
  celsius, count, cycles, date, ending, energy, kindNames, length, measureNames, moment, pace, parseCSV, percent, plain, rate, temps,
} from './words.mjs';

// spanTitles are the links above the history, and whether lines are drawn from
// samples there.
const spanTitles = { '1 day': true, '7 days': true, '30 days': true, '90 days': false, '1 year': false, '5 years': false };

// The depth in percent from which cycles spend life in the terms of the demo,
// and the number of bins of 0.5 % that a row of the table takes together.
const firstBin = 4;
const rowBins = 10;

// busiest gives the unit of the demo with most cold charging; in a season
// without any, some unit.
async function busiest(service) {
  const [unit] = await service.units({ sort: 'cold', serial: 'HB', limit: 1 });
  return unit.unit;
}

const reload = (page, read) => async () => {
  await page.reload();
  return read();
};

function standingTests(use) {
  test('opened from the list, a unit shows verdict, figures and measures of the JSON interface', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    const serial = await busiest(service);
    await page.goto(`${service.url}/?serial=${serial}`);
    await page.getByRole('link', { name: serial, exact: true }).click();
    await page.waitForURL(`**/units/${serial}`);
    assert.equal(await page.locator('h1').innerText(), serial);
    await agree(reload(page, async () => ({
      verdict: plain(await page.locator('.verdict .headline').innerText()),
      reasons: await texts(page.locator('.reasons li')),
      figures: await figures(page),
      measures: await table(page.locator('table[aria-labelledby=measures-h]')),
    })), async () => {
      const { standing, ledger } = await service.unit(serial);
      const governing = standing.measures.find((m) => m.measure === standing.governing);
      return {
        verdict: standing.verdict,
        reasons: standing.flags.map((f) => plain(`${f.title} ${f.sentence}`)),
        figures: {
          'Life spent': percent(governing.spent), Pace: governing.pace === null ? 'unknown' : pace(governing.pace), 'Full cycles': `${cycles(ledger.efc)} EFC`,
          Charged: energy(ledger.charge_mwh), Discharged: energy(ledger.discharge_mwh), Coverage: percent(standing.coverage),
        },
        measures: standing.measures.map((m) => [measureNames[m.measure] + (m.measure === standing.governing ? 'governs' : ''), percent(m.spent),
          m.measure === 'energy' ? energy(m.used * 1e6) : m.used.toFixed(3), m.measure === 'energy' ? energy(m.limit * 1e6) : '1 life',
          m.pace === null ? 'unknown' : pace(m.pace), m.ends_on === null ? 'unknown' : date(m.ends_on)]),
      };
    }, serial);
    clean(page);
    await page.context().close();
  });

  test('the table of depths holds the half cycles of the ledger, the one of bases its energy', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    const serial = await busiest(service);
    await page.goto(`${service.url}/units/${serial}`);
    await agree(reload(page, async () => ({
      depths: (await table(page.locator('section[aria-labelledby=depth-h] details table'))).map((r) => r.slice(0, 2)),
      bars: await page.locator('#depth-w-t').locator('..').locator('rect.ink-calm').count(),
      bases: (await table(page.locator('section[aria-labelledby=basis-h] table'))).map((r) => r.slice(0, 3)),
    })), async () => {
      const { ledger } = await service.unit(serial);
      const rows = new Map();
      for (const [bin, halves] of Object.entries(ledger.half_cycles)) {
        const low = Math.min(Math.floor(bin / rowBins), 19) * 5;
        if (Number(bin) >= firstBin) rows.set(low, (rows.get(low) ?? 0) + halves / 2);
      }
      const depths = [...rows].sort(([a], [b]) => a - b).map(([low, n]) => [`${low}–${low + 5} %`, n.toFixed(1)]);
      const bases = { counter: 'lifetime counters', power: 'power over time', soc: 'state of charge' };
      return { depths, bars: depths.length, bases: Object.entries(bases).map(([b, name]) => [name, ...ledger.energy_by_basis[b].map(energy)]) };
    }, serial);
    clean(page);
    await page.context().close();
  });
}

function historyTests(use) {
  test('the spans of the history switch and draw, and earlier and later lead there and back', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    const serial = await busiest(service);
    await page.goto(`${service.url}/units/${serial}`);
    const line = (ink) => page.locator(`#history .wide path.line.ink-${ink}`).evaluateAll((all) => all.map((p) => p.getAttribute('d')).join(''));
    const drawn = new Set();
    for (const [title, raw] of Object.entries(spanTitles)) {
      await page.locator('#history .tabs').getByRole('link', { name: title, exact: true }).click();
      await page.waitForLoadState('load');
      assert.equal(await page.locator('#history .tabs [aria-current=true]').innerText(), title);
      for (const ink of raw ? ['soc', 'power', 'temp'] : ['soc', 'temp']) {
        const d = await line(ink);
        assert.ok(d.split('L').length > 20, `${ink} is a line in ${title}`);
        assert.doesNotMatch(d, /NaN|Inf/);
        drawn.add(d);
      }
      if (!raw) assert.ok(await page.locator('#history .wide rect.bar.ink-in').count() >= 20, `bars of charged energy in ${title}`);
    }
    assert.equal(drawn.size, 3 * 3 + 3 * 2, 'every span draws something else');
    await page.goto(`${service.url}/units/${serial}?span=7d`);
    const range = page.locator('#history .pager span');
    const newest = await range.innerText();
    await page.getByRole('link', { name: 'Earlier' }).click();
    await page.waitForURL(/until=/);
    assert.notEqual(await range.innerText(), newest);
    await page.getByRole('link', { name: 'Later' }).click();
    await page.waitForLoadState('load');
    assert.equal(await page.getByRole('link', { name: 'Later' }).count(), 0, 'the newest span has no later one');
    clean(page);
    await page.context().close();
  });

  test('the table of days is that of the JSON interface', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    const serial = await busiest(service);
    await page.goto(`${service.url}/units/${serial}`);
    await agree(reload(page, async () => (await table(page.locator('table.days'))).map((r) => r.slice(0, 5))), async () => {
      const { days } = await service.get(`/api/v1/units/${serial}/days`);
      return days.toReversed().slice(0, 31).map((d) => [date(d.day), count(d.samples), percent(d.covered_s / 86400), energy(d.charge_mwh), energy(d.discharge_mwh)]);
    }, serial);
    clean(page);
    await page.context().close();
  });
}

// episodeRows writes the episodes of a ledger as the page lists them.
const episodeRows = ({ ledger, zone }) => ledger.excursions.toSorted((a, b) => b.start - a.start).map((e) => {
  const flows = [[e.charge_mwh, 'in'], [e.discharge_mwh, 'out']].filter(([mwh]) => mwh > 0).map(([mwh, way]) => `${energy(mwh)} ${way}`);
  return [moment(e.start * 1000, zone), kindNames[e.kind], e.n === 1 ? 'one sample' : length(e.end - e.start), temps(e.min_temp_c, e.max_temp_c),
    e.peak_c_rate === undefined ? 'no rate' : `${rate(e.peak_c_rate)}, allowed ${rate(e.allowed_c_rate)}`, flows.join(', ') || 'none measured', ending(e)];
});

function excursionTests(use) {
  test('the episodes of a demo unit are those of the JSON interface', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    const serial = await busiest(service);
    await page.goto(`${service.url}/units/${serial}?excursions=all`);
    await agree(reload(page, () => table(page.getByRole('table', { name: 'Episodes over a limit' }))),
      async () => episodeRows(await service.unit(serial)), serial);
    clean(page);
    await page.context().close();
  });

  test('two episodes of cold charging, known beforehand, are told as they were', async () => {
    const { browser, service } = use;
    const serial = 'BT/COLD:1';
    await service.register(catalogue([serial]));
    const night = cold(serial, Math.floor(Date.now() / 86_400_000 - 1) * 86_400_000);
    const { delivery } = await service.deliver('browser-night', night.csv);
    assert.deepEqual(delivery.rows, { read: night.samples, accepted: night.samples, duplicates: 0, disputed: 0, superseded: 0, quarantined: 0 });
    await service.listed({ serial: 'BT/' }, 1);
    const page = await open(browser);
    await page.goto(`${service.url}/?serial=BT/`);
    await page.getByRole('link', { name: serial, exact: true }).click();
    await page.waitForURL(/\/units\/BT/);
    const unit = await service.unit(serial);
    assert.deepEqual(unit.ledger.excursions.map((e) => [e.kind, e.start * 1000, e.n, Math.round(e.charge_mwh / 1000), e.min_temp_c, e.peak_c_rate, e.allowed_c_rate, e.ending]),
      night.episodes.map((e) => ['cold-charge', e.start, e.n, Math.round(e.chargeWh), 2, 0.4, 0.25, e.ending]));
    assert.ok(Math.abs(unit.ledger.charge_mwh - night.chargeWh * 1000) < 5, 'every interval is rounded to a milliwatt-hour');
    assert.deepEqual(await table(page.getByRole('table', { name: 'Episodes over a limit' })), episodeRows(unit));
    const [tally] = await table(page.getByRole('table', { name: 'Episodes by kind' }));
    assert.deepEqual(tally.slice(1), ['2', length(25 * 60), celsius(2), rate(0.4), '833 Wh', '0 kWh']);
    assert.equal((await figures(page)).Charged, '1.29 kWh');
    assert.match(await page.locator('.caution').innerText(), /licensed/);
    assert.equal(await page.locator('#history .wide rect.ink-mark-cold').count() > 0, true, 'episodes are shaded in the history');
    clean(page);
    await page.context().close();
  });
}

function downloadTests(use) {
  const download = async (page, name) => {
    const arrives = page.waitForEvent('download');
    await page.getByRole('link', { name }).last().click();
    return parseCSV(readFileSync(await (await arrives).path(), 'utf8'));
  };
  const numbers = (row, ...leave) => Object.fromEntries(Object.entries(row).filter(([k]) => !leave.includes(k))
    .map(([k, v]) => [k, v === '' ? null : Number(v)]));

  test('the downloads of samples and days hold what the JSON interface gives', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    const serial = await busiest(service);
    await page.goto(`${service.url}/units/${serial}`);
    await agree(async () => (await download(page, 'All samples that count')).map((r) => {
      assert.equal(r.unit, serial);
      return { time: r.time, ...Object.fromEntries(Object.entries(numbers(r, 'unit', 'time')).filter(([, v]) => v !== null)) };
    }), async () => (await service.get(`/api/v1/units/${serial}/samples?from=2000-01-01T00:00:00Z&limit=20000`)).samples, 'samples');
    await agree(async () => (await download(page, 'All samples that count')).length, async () => (await service.unit(serial)).ledger.samples, 'number of samples');
    await agree(async () => (await download(page, 'All days (CSV)')).map((r) => ({
      day: r.day, samples: Number(r.samples), covered_s: Number(r.covered_s), charge_mwh: Math.round(r.charge_kwh * 1e6),
      discharge_mwh: Math.round(r.discharge_kwh * 1e6), ...numbers(Object.fromEntries(['min_soc_pct', 'max_soc_pct', 'min_temp_c', 'max_temp_c'].map((k) => [k, r[k]]))),
    })), async () => (await service.get(`/api/v1/units/${serial}/days`)).days.map((d) => ({
      day: d.day, samples: d.samples, covered_s: d.covered_s, charge_mwh: d.charge_mwh, discharge_mwh: d.discharge_mwh,
      min_soc_pct: d.min_soc_pct, max_soc_pct: d.max_soc_pct, min_temp_c: d.min_temp_c, max_temp_c: d.max_temp_c,
    })), 'days');
    clean(page);
    await page.context().close();
  });
}

function unknownTests(use) {
  test('an unknown serial says what to check', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    page.mayFail = true;
    const answer = await page.goto(`${service.url}/units/HB5-999999`);
    assert.equal(answer.status(), 404);
    assert.equal(await page.locator('h1').innerText(), 'No unit has the serial HB5-999999');
    assert.equal(await page.getByRole('heading', { name: 'What to check' }).count(), 1);
    assert.ok((await texts(page.locator('.checks li'))).some((t) => /type plate/.test(t)));
    clean(page);
    await page.context().close();
  });

  test('markup in place of a serial is shown and does nothing', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    page.mayFail = true;
    for (const text of ['<script>window.ran=1</script>', '"><img src=x onerror=window.ran=1>', "';window.ran=1//", '../../etc/passwd', '%3Cscript%3E', '\u202egnol']) {
      const answer = await page.goto(`${service.url}/units/${encodeURIComponent(text)}`);
      assert.equal(answer.status(), 404, text);
      // Characters that steer the direction of writing are spelled out.
      assert.equal(await page.locator('h1').textContent(), `No unit has the serial ${text.replace('\u202e', '\\u{202E}')}`);
      assert.equal(await page.evaluate(() => window.ran), undefined);
      assert.equal(await page.locator('main script, main img').count(), 0);
    }
    for (const bytes of ['%00', '%ff', 'HB5%000001']) {
      assert.equal((await page.goto(`${service.url}/units/${bytes}`)).status(), 400, bytes);
      assert.match(await page.locator('h1').innerText(), /cannot be answered/);
    }
    clean(page);
    await page.context().close();
  });
}

export function unitTests(use) {
  standingTests(use);
  historyTests(use);
  excursionTests(use);
  downloadTests(use);
  unknownTests(use);
}
