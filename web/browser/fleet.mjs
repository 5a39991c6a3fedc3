// Tests of the fleet page.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';
import { setTimeout as sleep } from 'node:timers/promises';
import { agree, clean, figures, open, serials, table, texts } from './browser.mjs';
import { catalogue } from './fixture.mjs';
import { count, cycles, energy, flagTitles, pace, parseCSV, percent, plain } from './words.mjs';

// The columns that the list can be ordered by, and what in the JSON interface
// they stand for. Up says that the natural order, worst first, goes upwards.
const columns = [
  { title: 'Unit', sort: 'serial', of: (u) => u.unit, up: true },
  { title: 'Life spent', sort: 'spent', of: (u) => u.spent },
  { title: 'Pace', sort: 'pace', of: (u) => u.pace },
  { title: 'EFC', sort: 'efc', of: (u) => u.efc },
  { title: 'Coverage', sort: 'coverage', of: (u) => u.coverage, up: true },
  { title: 'Cold charging', sort: 'cold', of: (u) => u.cold_charge_mwh },
  { title: 'Last sample', sort: 'last', of: (u) => u.last },
];

const pageSize = 50;

const names = (units) => units.map((u) => u.unit);

// goTo follows a link inside the page and waits for what it leads to.
async function goTo(page, link) {
  await link.click();
  await page.waitForLoadState('load');
}

export function historyComesIn(use) {
  test('a bar shows how far the history is, grows by itself and goes away', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    const seen = [];
    await page.exposeFunction('noteProgress', (done) => seen.push(done));
    await page.addInitScript(() => setInterval(() => {
      const bar = document.querySelector('.live progress');
      if (bar) window.noteProgress(bar.value);
    }, 200));
    const bar = page.locator('.live progress');
    for (let tries = 0; tries < 100; tries++) {
      await page.goto(service.url);
      if (await bar.count() > 0) break;
      await sleep(50);
    }
    assert.equal(await bar.count(), 1, 'the bar was there while the history came in');
    const total = Number(await bar.getAttribute('max'));
    assert.ok(total > 0 && Number(await bar.getAttribute('value')) < total);
    const label = plain(await page.locator('#progress-t').innerText());
    assert.match(label, new RegExp(`\\b${total}\\b`), 'the words name the total');
    assert.equal(await page.getByRole('progressbar', { name: await page.locator('#progress-t').innerText() }).count(), 1, 'the bar has a name');
    await service.says('the history is complete');
    await bar.waitFor({ state: 'detached', timeout: 15_000 });
    assert.deepEqual(seen, seen.toSorted((a, b) => a - b), 'the bar never goes back');
    // The figures follow with the refresh after that, without a reload.
    const until = Date.now() + 20_000;
    for (let shown; shown !== count((await service.fleet()).samples);) {
      assert.ok(Date.now() < until, `${shown} samples are shown`);
      await sleep(300);
      shown = (await figures(page)).Samples;
    }
    clean(page);
    await page.context().close();
  });
}

function summaryTests(use) {
  test('the figures, the flags and the table of paces are those of the JSON interface', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    await agree(async () => {
      await page.goto(service.url);
      return figures(page);
    }, async () => {
      const f = await service.fleet();
      return {
        'Units with telemetry': `${f.reporting} of ${f.units}`, 'Energy in': energy(f.charge_mwh), 'Energy out': energy(f.discharge_mwh),
        'Full cycles': `${cycles(f.efc)} EFC`, Coverage: percent(f.mean_coverage), Samples: count(f.samples),
      };
    }, 'figures');
    await agree(async () => {
      await page.goto(service.url);
      return page.locator('a.flag').evaluateAll((list) => list.map((a) => [a.querySelector('strong').textContent, a.querySelector('.n').textContent]));
    }, async () => {
      const { flagged } = await service.fleet();
      return Object.entries(flagTitles).map(([kind, title]) => [title, count(flagged[kind])]);
    }, 'flags');
    await agree(async () => {
      await page.goto(service.url);
      return table(page.locator('details table'));
    }, async () => (await service.fleet()).pace.filter((b) => b.units > 0)
      .map((b) => [b.to === null ? `${b.from.toFixed(2)} and more` : `${b.from.toFixed(2)} to ${b.to.toFixed(2)}`, count(b.units)]), 'paces');
    clean(page);
    await page.context().close();
  });

  test('each row shows the numbers of its unit', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    await agree(async () => {
      await page.goto(service.url);
      return (await page.locator('table.units tbody tr').evaluateAll((rows) => rows.map((r) => {
        const cell = (label) => r.querySelector(`[data-label="${label}"]`);
        return [r.querySelector('.serial').textContent, [...r.querySelectorAll('.tag')].map((t) => t.textContent).join(),
          cell('Life spent').querySelector('span').textContent, cell('Pace').textContent, cell('EFC').textContent, cell('Coverage').textContent];
      }))).map((row) => row.map(plain));
    }, async () => (await service.units({ limit: pageSize })).map((u) => [u.unit, u.flags.map((f) => flagTitles[f]).join(),
      percent(u.spent), u.pace === null ? 'unknown: needs 30 covered days' : pace(u.pace), cycles(u.efc), percent(u.coverage)]), 'rows');
    clean(page);
    await page.context().close();
  });
}

function filterTests(use) {
  test('a click on a flag leaves the units that carry it', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    let carried = 0;
    for (const [kind, title] of Object.entries(flagTitles)) {
      const shown = await agree(async () => {
        await page.goto(service.url);
        await goTo(page, page.locator('a.flag', { hasText: title }));
        return serials(page);
      }, async () => names(await service.units({ flag: kind, limit: pageSize })), kind);
      carried += shown.length;
      const tags = await page.locator('table.units tbody tr').evaluateAll((rows) => rows.map((r) => [...r.querySelectorAll('.tag')].map((t) => t.textContent)));
      assert.ok(tags.every((list) => list.includes(title)), `every row carries ${title}`);
      assert.equal(await page.locator('a.flag[aria-current=true]').count(), 1);
    }
    assert.ok(carried > 0, 'the fleet has flagged units');
    clean(page);
    await page.context().close();
  });

  test('the form filters by model and by site, and clears', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    const [first] = await service.units({ limit: 1, sort: 'serial' });
    for (const [label, query] of [['Model', { model: first.model }], ['Site', { site: first.site }], ['Serial begins with', { serial: first.unit.slice(0, -1) }]]) {
      const shown = await agree(async () => {
        await page.goto(service.url);
        await page.getByRole('search').getByLabel(label, { exact: true }).fill(Object.values(query)[0]);
        await goTo(page, page.getByRole('button', { name: 'Show', exact: true }));
        return serials(page);
      }, async () => names(await service.units({ ...query, limit: pageSize })), label);
      assert.ok(shown.includes(first.unit) || shown.length === pageSize);
      assert.equal(await page.locator('.chip').count(), 1, 'a chip says what the list is narrowed to');
      await goTo(page, page.getByRole('link', { name: 'Clear filter' }));
      assert.equal(await page.locator('.chip').count(), 0);
    }
    await page.goto(`${service.url}/?serial=no-such-serial`);
    assert.match(await page.locator('#units .empty').innerText(), /No unit matches/);
    clean(page);
    await page.context().close();
  });

  test('a serial is found with the keyboard alone', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    await page.goto(service.url);
    const focused = () => page.evaluate(() => document.activeElement?.getAttribute('name'));
    for (let presses = 0; await focused() !== 'serial'; presses++) {
      assert.ok(presses < 40, 'the field is reached within 40 presses of Tab');
      await page.keyboard.press('Tab');
    }
    await page.keyboard.type('HB10-');
    await page.keyboard.press('Enter');
    await page.waitForURL(/serial=HB10-/);
    const shown = await agree(async () => {
      await page.reload();
      return serials(page);
    }, async () => names(await service.units({ serial: 'HB10-', limit: pageSize })), 'serials');
    assert.ok(shown.length > 0 && shown.every((s) => s.startsWith('HB10-')));
    clean(page);
    await page.context().close();
  });

  test('markup in a filter is shown and does nothing', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    const text = '"><script>window.ran=1</script><img src=x onerror=window.ran=1>';
    await page.goto(`${service.url}/?${new URLSearchParams({ serial: text, model: text })}`);
    assert.ok((await texts(page.locator('.chip'))).every((t) => t.includes('<script>window.ran=1</script>')));
    assert.equal(await page.getByLabel('Serial begins with').inputValue(), text);
    assert.equal(await page.evaluate(() => window.ran), undefined);
    clean(page);
    await page.context().close();
  });
}

// ordered says whether values follow an order: those without a value come
// last, and first where the natural order is turned around.
function ordered(values, rising, turned) {
  const known = values.filter((v) => v !== null);
  const together = turned ? values.slice(values.length - known.length) : values.slice(0, known.length);
  return together.every((v) => v !== null) && known.every((v, i) => i === 0 || (rising ? known[i - 1] <= v : known[i - 1] >= v));
}

function orderTests(use) {
  for (const column of columns) {
    test(`a click on ${column.title} orders the list, a second one turns it around`, async () => {
      const { browser, service } = use;
      const page = await open(browser);
      // From an order by another column.
      await page.goto(`${service.url}/?sort=${column.sort === 'serial' ? 'efc' : 'serial'}`);
      for (const turned of [false, true]) {
        await goTo(page, page.locator('thead').getByRole('link', { name: column.title }));
        const rising = Boolean(column.up) !== turned;
        await agree(async () => {
          await page.reload();
          return serials(page);
        }, async () => {
          const units = await service.units({ sort: column.sort, ascending: turned, limit: pageSize });
          assert.ok(ordered(units.map(column.of), rising, turned), `${column.sort} in order, turned around: ${turned}`);
          return names(units);
        }, column.title);
        const head = page.locator('th[aria-sort]');
        assert.match(await head.innerText(), new RegExp(`^${column.title}`));
        assert.equal(await head.getAttribute('aria-sort'), rising ? 'ascending' : 'descending');
      }
      clean(page);
      await page.context().close();
    });
  }
}

function liveTests(use) {
  test('a refresh leaves focus, typed text and scroll where they are, and can be paused', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    await page.goto(service.url);
    const refresh = () => page.waitForResponse((r) => r.url().includes('part=live'), { timeout: 12_000 });
    const field = page.getByLabel('Serial begins with');
    await field.focus();
    await page.keyboard.type('HB');
    const place = await page.evaluate(() => {
      window.scrollBy({ top: 40, behavior: 'instant' });
      document.querySelector('.live').firstElementChild.dataset.old = 'yes';
      return window.scrollY;
    });
    assert.equal((await refresh()).status(), 200);
    await page.waitForFunction(() => !document.querySelector('.live [data-old]'));
    assert.equal(await page.evaluate(() => document.activeElement.name), 'serial');
    assert.equal(await field.inputValue(), 'HB');
    assert.equal(await page.evaluate(() => window.scrollY), place);
    const pause = page.getByRole('button', { name: 'Updates itself' });
    await pause.click();
    assert.equal(await page.locator('.live-switch').getAttribute('aria-pressed'), 'false');
    let asked = 0;
    page.on('request', (r) => { if (r.url().includes('part=live')) asked++; });
    await sleep(5500);
    assert.equal(asked, 0, 'nothing is asked while updates are paused');
    clean(page);
    await page.context().close();
  });
}

// The units added here have no sample, so that pages of the list end among
// units without values too.
const silent = 60;

function pagingTests(use) {
  test('pages forward and back show every unit exactly once', async () => {
    const { browser, service } = use;
    await service.register(catalogue(Array.from({ length: silent }, (_, i) => `BT-${String(i + 1).padStart(6, '0')}`)));
    await service.listed({ serial: 'BT-' }, silent);
    const page = await open(browser);
    for (const sort of ['serial', 'pace', 'last']) {
      await page.goto(`${service.url}/?sort=${sort}`);
      const pages = [await serials(page)];
      const next = page.getByRole('link', { name: 'Next units' });
      while (await next.count() > 0) {
        assert.equal(pages.at(-1).length, pageSize, 'only the last page is short');
        await goTo(page, next);
        pages.push(await serials(page));
      }
      const all = await service.units({ sort: 'serial' });
      assert.equal(pages.length, Math.ceil(all.length / pageSize), sort);
      assert.deepEqual(pages.flat().toSorted(), names(all).toSorted(), `every unit once by ${sort}`);
      for (let i = pages.length - 2; i >= 0; i--) {
        await page.goBack();
        assert.deepEqual(await serials(page), pages[i], `back on page ${i + 1} by ${sort}`);
      }
    }
    await page.goForward();
    await goTo(page, page.getByRole('link', { name: 'First page' }));
    assert.equal(await page.getByRole('link', { name: 'First page' }).count(), 0);
    clean(page);
    await page.context().close();
  });

  test('the download holds all units of the list, with the numbers of the JSON interface', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    for (const query of ['', 'model=HB-10']) {
      await agree(async () => {
        await page.goto(`${service.url}/?${query}`);
        const arrives = page.waitForEvent('download');
        await page.getByRole('link', { name: 'Download this list' }).click();
        const file = await arrives;
        assert.equal(file.suggestedFilename(), 'units.csv');
        return parseCSV(readFileSync(await file.path(), 'utf8')).map((r) => ({
          unit: r.unit, model: r.model, site: r.site, flags: r.flags.split(' ').filter(Boolean), spent: r.spent === '' ? null : Number(r.spent),
          ends_on: r.ends_on || null, efc: Number(r.efc), charge_mwh: Math.round(Number(r.charge_kwh) * 1e6),
          discharge_mwh: Math.round(Number(r.discharge_kwh) * 1e6), cold_charge_episodes: Number(r.cold_charge_episodes),
          samples: Number(r.samples), first: r.first || null, last: r.last || null,
        }));
      }, async () => (await service.units(Object.fromEntries(new URLSearchParams(query)))).map((u) => ({
        unit: u.unit, model: u.model, site: u.site, flags: u.flags, spent: u.spent, ends_on: u.ends_on, efc: u.efc, charge_mwh: u.charge_mwh,
        discharge_mwh: u.discharge_mwh, cold_charge_episodes: u.cold_charge_episodes, samples: u.samples, first: u.first, last: u.last,
      })), query);
    }
    clean(page);
    await page.context().close();
  });
}

export function fleetTests(use) {
  summaryTests(use);
  filterTests(use);
  orderTests(use);
  liveTests(use);
  pagingTests(use);
}
