// Tests of the pages of the way in.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { agree, clean, figures, open, table, texts } from './browser.mjs';
import { iso, minutes } from './fixture.mjs';
import { count, plain } from './words.mjs';

const collector = 'browser-test';

// rows is a delivery with one new sample, a repeated one and six rows that
// cannot be taken. Times lie between the samples of the unit.
function rows(unit) {
  const from = Date.parse(unit.first) + 1000;
  const local = (ms) => iso(ms).replace('Z', '');
  return {
    csv: ['unit,time,soc_pct,power_w',
      `${unit.unit},${iso(from)},50,0`,
      `${unit.unit},${iso(from)},50,0`,
      `${unit.unit},${local(from + 60 * minutes)},50,0`,
      `${unit.unit},${local(from + 120 * minutes)},50,0`,
      `${unit.unit},${iso(from + 180 * minutes)},250,0`,
      `<script>window.ran=1</script>,${iso(from)},50,0`,
      `${unit.unit},05/06/2026 10:00,50,0`,
      `NOBODY-1,${iso(from)},50,0`, ''].join('\n'),
    tally: { read: 8, accepted: 1, duplicates: 1, disputed: 0, superseded: 0, quarantined: 6 },
    // By reason: the lines and the field.
    held: {
      'time-without-zone': [[4, 'time'], [5, 'time']], 'soc-out-of-range': [[6, 'soc_pct']], 'serial-characters': [[7, 'unit']],
      'time-ambiguous-date': [[8, 'time']], 'unknown-unit': [[9, 'unit']],
    },
  };
}

const tally = (t) => [t.read, t.accepted, t.duplicates, t.disputed, t.superseded, t.quarantined].map(count);

async function fresh(use, where) {
  const page = await open(use.browser);
  await page.goto(use.service.url + where);
  return page;
}

function accountTests(use) {
  test('rows read, their account, collectors and deliveries are those of the JSON interface', async () => {
    const { service } = use;
    const page = await fresh(use, '/ingest');
    const shown = await agree(async () => {
      await page.reload();
      return {
        figures: await figures(page),
        balance: await texts(page.locator('.balance .value')),
        collectors: (await table(page.locator('table[aria-labelledby=coll-h]'))).map((r) => r.slice(0, 8)),
      };
    }, async () => {
      const { deliveries, rows: r, collectors, quarantine, recounts, stream } = await service.get('/api/v1/ingest');
      const held = Object.values(quarantine).reduce((a, b) => a + b, 0);
      const told = await figures(page);
      return {
        // The rows of the last hour stand on the page only.
        figures: { Pending: count(stream.pending), 'Being counted': count(stream.unacked), 'Rows, last hour': told['Rows, last hour'],
          Deliveries: count(deliveries), 'In quarantine': count(held), Recounts: count(recounts) },
        balance: tally(r),
        collectors: collectors.map((c) => [c.collector, count(c.deliveries), ...tally(c.rows)]),
      };
    }, 'ingest');
    const [read, ...parts] = shown.balance.map(Number);
    assert.equal(read, parts.reduce((a, b) => a + b, 0), 'the equation balances');
    assert.ok(parts[1] > 0, 'the demo repeats some deliveries');
    const [rowsTold, booksTold] = await texts(page.locator('.check'));
    assert.match(rowsTold, /The two sides are equal/);
    assert.match(booksTold, /taken in, and the units know \d+: the same|not added up yet/);
    assert.equal(await page.locator('.wrong').count(), 0, 'the books add up');
    await agree(async () => {
      await page.reload();
      return (await table(page.locator('table[aria-labelledby=del-h]'))).map((r) => [r[0], ...r.slice(4)]);
    }, async () => (await service.get('/api/v1/deliveries?limit=25')).deliveries.map((d) => [count(d.sequence), ...tally(d.rows)]), 'deliveries');
    clean(page);
    await page.context().close();
  });

  test('older deliveries follow without a gap', async () => {
    const { service } = use;
    const page = await fresh(use, '/ingest');
    const sequences = () => page.locator('table[aria-labelledby=del-h] tbody th').allTextContents();
    const first = await sequences();
    await page.getByRole('link', { name: 'Older deliveries' }).click();
    await page.waitForURL(/before=/);
    const both = [...first, ...await sequences()].map(Number);
    const { deliveries } = await service.get(`/api/v1/deliveries?limit=50&before=${both[0] + 1}`);
    assert.deepEqual(both, deliveries.map((d) => d.sequence));
    await page.getByRole('link', { name: 'Newest' }).click();
    await page.waitForURL((url) => !url.search.includes('before='));
    clean(page);
    await page.context().close();
  });

  test('the page follows by itself and leaves the reader where he is', async () => {
    const page = await fresh(use, '/ingest');
    const place = await page.evaluate(() => {
      document.querySelector('.live').firstElementChild.dataset.old = 'yes';
      window.scrollTo(0, document.body.scrollHeight / 2);
      return window.scrollY;
    });
    assert.ok(place > 0);
    await page.waitForFunction(() => !document.querySelector('.live [data-old]'), null, { timeout: 12_000 });
    assert.equal(await page.evaluate(() => window.scrollY), place);
    // What has the focus stays as it is until the focus moves on.
    const older = page.getByRole('link', { name: 'Older deliveries' });
    await older.focus();
    await page.waitForResponse((r) => r.url().includes('part=live'), { timeout: 12_000 });
    assert.equal(await older.evaluate((e) => e === document.activeElement), true);
    clean(page);
    await page.context().close();
  });
}

// held reads the rows of a page of the quarantine.
const held = (page) => page.locator('.quarantine > li').evaluateAll((list) => list.map((li) => ({
  reason: li.querySelector('.tag').textContent, place: li.querySelector('.where strong').textContent, field: li.querySelector('.where code')?.textContent ?? '',
  message: li.querySelector('.message').textContent, remedy: li.querySelector('.remedy')?.textContent ?? '', raw: li.querySelector('.raw')?.textContent ?? '',
}))).then((all) => all.map((row) => Object.fromEntries(Object.entries(row).map(([k, v]) => [k, plain(v)]))));

const heldByAPI = async (service, reason) => (await service.get(`/api/v1/quarantine?limit=25&reason=${reason}`)).rows.map((q) => ({
  reason: q.reason, place: q.line > 0 ? `line ${q.line}` : 'whole delivery', field: q.field ?? '', message: plain(q.message),
  remedy: plain(`What to do: ${q.remedy}`), raw: plain(Buffer.from(q.raw, 'base64').toString()),
}));

function quarantineTests(use) {
  test('bad rows wait in quarantine with line, field, reason, remedy and bytes', async () => {
    const { service } = use;
    const [unit] = await service.units({ sort: 'serial', limit: 1 });
    const sent = rows(unit);
    const receipt = await service.deliver(collector, sent.csv);
    assert.deepEqual(receipt.delivery.rows, sent.tally);
    const page = await fresh(use, '/ingest');
    const top = await agree(async () => {
      await page.reload();
      return (await table(page.locator('table[aria-labelledby=del-h]'))).find((r) => r[0] === count(receipt.sequence))?.slice(4);
    }, async () => tally(sent.tally), 'the delivery');
    assert.equal(top.length, 6);
    assert.deepEqual(await texts(page.locator('.reason-list .n')), (await texts(page.locator('.reason-list a span:first-child')))
      .map((reason) => count(sent.held[reason].length)));
    for (const [reason, places] of Object.entries(sent.held)) {
      await page.goto(`${service.url}/ingest`);
      await page.locator('.reason-list a', { hasText: reason }).click();
      await page.waitForURL(/\/ingest\/quarantine/);
      const shown = await held(page);
      assert.deepEqual(shown, await heldByAPI(service, reason));
      assert.deepEqual(shown.map((r) => [r.place, r.field]).toSorted(), places.map(([line, field]) => [`line ${line}`, field]), reason);
      // Rows of unknown units are kept as samples, so their bytes are not those that came.
      assert.ok(shown.every((r) => r.message !== '' && r.remedy.length > 'What to do: '.length && (reason === 'unknown-unit' || sent.csv.includes(r.raw))), reason);
    }
    assert.equal(await page.evaluate(() => window.ran), undefined, 'bytes of a row do nothing');
    clean(page);
    await page.context().close();
  });

  test('rows that a profile makes readable leave quarantine when they are released', async () => {
    const { service } = use;
    const profile = (yaml) => service.send('PUT', `/api/v1/collectors/${collector}/profile`, yaml, { 'Content-Type': 'application/yaml' });
    await profile('zone: UTC\n');
    const page = await fresh(use, '/ingest/quarantine?reason=time-without-zone');
    const done = await service.send('POST', '/api/v1/quarantine/release', JSON.stringify({ reason: 'time-without-zone' }), { 'Content-Type': 'application/json' });
    assert.deepEqual({ rows: done.rows, samples: done.samples, kept: done.kept }, { rows: 2, samples: 2, kept: 0 });
    await page.reload();
    assert.match(await page.locator('.empty').innerText(), /No row waits/);
    assert.equal((await texts(page.locator('.tabs a'))).some((t) => t.startsWith('time-without-zone')), false);
    // One more by the button on the page.
    await profile('zone: UTC\ndate_order: dmy\n');
    await page.goto(`${service.url}/ingest/quarantine?reason=time-ambiguous-date`);
    await page.getByRole('button', { name: 'Release the rows of this reason' }).click();
    await page.waitForURL(/rows=1/);
    assert.match(plain(await page.getByRole('status').innerText()), /^1 row released, which brought 1 sample\./);
    assert.deepEqual(Object.keys((await service.get('/api/v1/ingest')).quarantine).toSorted(), ['serial-characters', 'soc-out-of-range', 'unknown-unit']);
    // One that stays bad stays.
    await profile('zone: UTC\n');
    await page.goto(`${service.url}/ingest/quarantine?reason=soc-out-of-range`);
    await page.getByRole('button', { name: /^Release this row|^Release line/ }).click();
    await page.waitForURL(/kept=1/);
    assert.match(plain(await page.getByRole('status').innerText()), /1 row still cannot be read and stayed/);
    clean(page);
    await page.context().close();
  });
}

export function ingestTests(use) {
  accountTests(use);
  quarantineTests(use);
}
