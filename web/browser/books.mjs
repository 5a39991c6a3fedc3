// Tests of disputes, corrections and receipts.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { axeFindings, clean, open, table, texts } from './browser.mjs';
import { catalogue, iso, minutes } from './fixture.mjs';
import { plain } from './words.mjs';

const serial = 'BK/1';

// The page of the unit that the tests leave behind, for the tests of every
// page, with the number of its first correction.
export const corrected = `/units/${encodeURIComponent(serial)}`;
export const corrections = { first: 0 };

// Whom a browser is signed in as when it comes to the demo.
const signedIn = 'demo-service-manager';

// The instants of the tests: yesterday from 10:00 on, UTC, a minute apart.
const from = Math.floor(Date.now() / 86_400_000 - 1) * 86_400_000 + 10 * 60 * minutes;
const at = (minute) => from + minute * minutes;

const stated = (ms) => plain(`${new Date(ms).toUTCString().slice(5, 16).replace(/^0/, '')}, ${new Date(ms).toUTCString().slice(17, 25)} UTC`);

const csv = (rows) => ['unit,time,soc_pct,power_w', ...rows.map(([minute, soc, power]) => `${serial},${iso(at(minute))},${soc},${power}`), ''].join('\n');

const ask = (service, what) => service.get(`/api/v1${corrected}/${what}`);

// disputedUnit registers the unit and has two collectors contradict each other
// at two of its five instants.
async function disputedUnit(service) {
  await service.register(catalogue([serial]));
  const one = await service.deliver('book-a', csv([[0, 50, 500], [1, 50.2, 500], [2, 50.4, 500], [3, 50.6, 500], [4, 50.8, 500]]));
  assert.equal(one.delivery.rows.accepted, 5);
  const two = await service.deliver('book-b', csv([[1, 50.2, -500], [3, 61, 500]]));
  return { one, two };
}

// press waits until the address changes after a press of a button.
const press = async (page, button, url) => {
  await page.getByRole('button', { name: button }).click();
  await page.waitForURL(url);
};

function disputeTests(use) {
  test('a dispute shows its versions side by side, and choosing one settles it, without JavaScript too', async () => {
    const { browser, service } = use;
    const { one, two } = await disputedUnit(service);
    const page = await open(browser, { javaScriptEnabled: false });
    page.mayFail = true;
    await page.goto(service.url + corrected);
    assert.match(plain(await page.locator('.open-matter').innerText()), /2 instants are in dispute/);
    const { disputes } = await ask(service, 'disputes');
    assert.deepEqual(await texts(page.locator('.dispute h3')), disputes.map((d) => stated(Date.parse(d.at))));
    assert.deepEqual(disputes.map((d) => Date.parse(d.at)), [at(3), at(1)]);
    const newest = page.locator('.dispute').first();
    assert.deepEqual(await table(newest.locator('table')), [['state of charge ≠ differs', '50.6 %', '61.0 %'], ['power', '500 W', '500 W']]);
    const heads = await texts(newest.locator('thead th'));
    assert.ok(heads.some((h) => h.includes(`book-b, delivery ${two.sequence}, line 3`)), heads.join(' | '));
    assert.ok(heads.some((h) => h.includes('its source is no longer known') || h.includes(`book-a, delivery ${one.sequence}`)), heads.join(' | '));
    // The newest: the version of the second collector.
    const column = heads.findIndex((h) => h.includes('book-b')) - 1;
    await newest.getByRole('radio').nth(column).check();
    await newest.getByLabel('Why this version').fill('the site <b>measured</b> 61 %');
    await newest.getByRole('button').click();
    await page.waitForURL(/disputes\/choice\?/);
    assert.deepEqual((await ask(service, 'corrections')).corrections, [], 'looking at it changes nothing');
    const effects = await texts(page.locator('.effects li'));
    assert.ok(effects.some((e) => /^The other version is kept as superseded/.test(e)) && effects.some((e) => /^1 day, .* is counted again/.test(e)), effects.join(' | '));
    const confirmation = page.url();
    await press(page, /^Version [AB] counts$/, /corrections\/\d+\?made=1/);
    assert.match(await page.getByRole('status').innerText(), /The correction is made/);
    const [made] = (await ask(service, 'corrections')).corrections;
    corrections.first = made.id;
    assert.deepEqual([made.by, made.why, made.samples, Date.parse(made.to) - Date.parse(made.from)], [signedIn, 'the site <b>measured</b> 61 %', 1, 1]);
    assert.deepEqual((await ask(service, 'disputes')).disputes.map((d) => Date.parse(d.at)), [at(1)]);
    const { samples } = await ask(service, `samples?from=${iso(at(3))}&to=${iso(at(4))}`);
    assert.deepEqual(samples.map((s) => [s.soc_pct, s.power_w]), [[61, 500]]);
    // Loading the page again, or going back to confirm again, makes no other.
    await page.reload();
    assert.equal((await page.goto(confirmation)).status(), 409);
    assert.equal((await ask(service, 'corrections')).corrections.length, 1);
    clean(page);
    await page.context().close();
  });

  test('a page of another origin cannot make a correction or note an alarm', async () => {
    const { service } = use;
    for (const [where, header] of [[`${corrected}/disputes/choice`, { 'Sec-Fetch-Site': 'cross-site' }], [`${corrected}/corrections`, { Origin: 'http://elsewhere.example' }],
      ['/ingest/alarms/clear', { 'Sec-Fetch-Site': 'same-site' }]]) {
      const answer = await fetch(service.url + where, { method: 'POST', headers: { 'Content-Type': 'application/x-www-form-urlencoded', ...header }, body: 'by=x&why=y&id=1' });
      assert.equal(answer.status, 403, where);
    }
    assert.equal((await ask(service, 'corrections')).corrections.length, 1);
  });
}

async function fillForm(page, service, { text, first, last }) {
  await page.goto(`${service.url}${corrected}/corrections/new`);
  await page.getByLabel('From').fill(iso(at(first)).replace('Z', ''));
  await page.getByLabel('Until before').fill(iso(at(last)).replace('Z', ''));
  if (text) await page.getByLabel('or its lines').fill(text);
  await page.getByLabel('Why', { exact: true }).fill('read off the display');
}

function correctionTests(use) {
  test('a correction shows what it will do, then does it, and keeps what was there', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    page.mayFail = true;
    // What cannot be read is told with its line, field and remedy.
    await fillForm(page, service, { text: csv([[4, 50.8, 500]]).replace('50.8', '508'), first: 4, last: 6 });
    await press(page, 'See what that does', /preview/);
    assert.match(plain(await page.getByRole('alert').innerText()), /Line 2, soc_pct: /);
    assert.deepEqual(await axeFindings(page), []);
    await fillForm(page, service, { text: csv([[4, 40, 450], [5, 40.1, 450]]), first: 4, last: 6 });
    await press(page, 'See what that does', /preview/);
    assert.deepEqual(await texts(page.locator('.then .value')), ['1', '2']);
    const effects = await texts(page.locator('.effects li'));
    assert.deepEqual(effects.slice(0, 2), ['1 sample is replaced.', '1 sample is added.']);
    assert.deepEqual(await axeFindings(page), []);
    assert.equal((await ask(service, 'corrections')).corrections.length, 1, 'the preview changes nothing');
    await press(page, 'Make this correction', /corrections\/\d+\?made=1/);
    const rows = await table(page.getByRole('table', { name: 'What counts now, and what was there' }));
    assert.deepEqual(rows.map((r) => r.slice(0, 2)), [[stated(at(4)), 'state of charge 40.0 %, power 450 W'], [stated(at(5)), 'state of charge 40.1 %, power 450 W']]);
    assert.match(rows[0][2], /^superseded state of charge 50\.8 %, power 500 W/);
    assert.match(rows[1][2], /nothing else was there/);
    const { versions } = await ask(service, `versions?from=${iso(at(4))}&to=${iso(at(5))}`);
    assert.deepEqual(versions.map((v) => [v.sample.soc_pct, v.disputed]), [[50.8, false]]);
    const { ledger } = await service.unit(serial);
    assert.deepEqual([ledger.samples, ledger.conflicts], [5, 1], 'four of the five instants, and one that was added');
    // It stays in force for what comes later.
    await service.deliver('book-c', csv([[5, 12, 1]]));
    const { samples } = await ask(service, `samples?from=${iso(at(5))}&to=${iso(at(6))}`);
    assert.deepEqual(samples.map((s) => s.soc_pct), [40.1]);
    await page.goto(service.url + corrected);
    const list = await table(page.getByRole('table', { name: 'Corrections and recounts' }));
    assert.deepEqual(list.map((r) => [r[1], r[4]]), [[signedIn, '2 samples count'], [signedIn, '1 sample counts']]);
    assert.ok((await texts(page.locator('.recounts li'))).some((t) => /^recounted on .* because of a correction/.test(t)));
    clean(page);
    await page.context().close();
  });

  test('rows in dispute lead from quarantine to the page where a version is chosen', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    await page.goto(`${service.url}/ingest/quarantine?reason=conflicting-sample`);
    const rows = page.locator('.quarantine > li').filter({ hasText: serial });
    assert.ok(await rows.count() >= 2);
    assert.equal(await page.getByRole('button', { name: /Release/ }).count(), 0, 'a dispute is settled, not released');
    await rows.first().getByRole('link', { name: 'Choose which version counts' }).click();
    await page.waitForURL(/\/disputes$/);
    assert.deepEqual(await texts(page.locator('.dispute h3')), [stated(at(1))]);
    clean(page);
    await page.context().close();
  });
}

function receiptTests(use) {
  test('a hole in the numbers of a collector is told until it is filled', async () => {
    const { browser, service } = use;
    const series = 'browser run 1';
    const send = async (number, minute) => {
      await service.send('POST', '/api/v1/telemetry?collector=book-n', csv([[minute, 70, 0]]),
        { 'Content-Type': 'text/csv', 'Fadeledger-Series': series, 'Fadeledger-Number': String(number) });
      await service.counted();
    };
    const receipt = () => service.get(`/api/v1/collectors/book-n/receipts?series=${encodeURIComponent(series)}`);
    assert.deepEqual(await receipt(), { collector: 'book-n', series, through: 0, last: 0, holes: [] });
    await send(1, 60);
    await send(4, 61);
    assert.deepEqual(await receipt(), { collector: 'book-n', series, through: 1, last: 4, holes: [[2, 3]] });
    const page = await open(browser);
    await page.goto(`${service.url}/ingest`);
    const [row] = (await table(page.getByRole('table', { name: 'Deliveries that have not arrived' }))).filter((r) => r[0] === 'book-n');
    assert.equal(row[1], `Deliveries 2 to 3 of series ${series} have not arrived.`);
    assert.match(await (await fetch(`${service.url}/metrics`)).text(), /\nfadeledger_receipt_holes \d/);
    await send(2, 62);
    await send(3, 63);
    assert.deepEqual(await receipt(), { collector: 'book-n', series, through: 4, last: 4, holes: [] });
    await page.reload();
    assert.equal(await page.getByText(`of series ${series}`).count(), 0);
    clean(page);
    await page.context().close();
  });
}

export function bookTests(use) {
  disputeTests(use);
  correctionTests(use);
  receiptTests(use);
}
