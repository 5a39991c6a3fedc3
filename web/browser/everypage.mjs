// What holds on every page: widths, colours, paper, keyboard, no JavaScript.
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { mkdirSync } from 'node:fs';
import path from 'node:path';
import { test } from 'node:test';
import { corrected, corrections } from './books.mjs';
import { axeFindings, clean, open, serials, texts } from './browser.mjs';
import { flagTitles, plain } from './words.mjs';

const sizes = [{ width: 360, height: 740 }, { width: 1440, height: 900 }];
const schemes = ['light', 'dark'];

// A4 less the margins of the style sheet, in CSS pixels.
const paper = { width: Math.floor((210 - 24) / 25.4 * 96), height: Math.floor((297 - 28) / 25.4 * 96) };

// Pages by name; a unit's stand for the one with most cold charging.
const pages = {
  fleet: () => '/',
  'fleet-filtered': () => '/?flag=silent&sort=last',
  'fleet-empty': () => '/?serial=nobody',
  unit: (serial) => `/units/${serial}`,
  'unit-30-days': (serial) => `/units/${serial}?span=30d`,
  'unit-year': (serial) => `/units/${serial}?span=1y&excursions=all`,
  ingest: () => '/ingest',
  quarantine: () => '/ingest/quarantine',
  // What bookTests left behind: a dispute, and a correction.
  disputed: () => corrected,
  disputes: () => `${corrected}/disputes`,
  correct: () => `${corrected}/corrections/new`,
  correction: () => `${corrected}/corrections/${corrections.first}`,
  registry: () => '/registry',
  models: () => '/registry/models',
  model: () => '/registry/models/HB-5',
  terms: () => '/registry/terms/HB-5%20home%202026',
  sites: () => '/registry/sites',
  site: () => '/sites/browser-test',
  collectors: () => '/collectors',
  collector: () => '/collectors/c-01',
  account: () => '/account',
  'not-for-this-role': () => '/people',
  numbers: () => '/about/numbers',
  api: () => '/api',
  'not-found': () => '/no/such/page',
  'unit-unknown': () => '/units/HB5-999999',
};

const statuses = { 'not-found': 404, 'unit-unknown': 404, 'not-for-this-role': 403 };

async function addresses(service) {
  const [{ unit }] = await service.units({ sort: 'cold', limit: 1 });
  return Object.entries(pages).map(([name, of]) => [name, service.url + of(unit)]);
}

// keep makes the folder for pictures, where one is named.
function keep(folder) {
  if (folder) mkdirSync(folder, { recursive: true });
  return folder;
}

async function pictures(page, folder, name, { width }) {
  for (const colorScheme of schemes) {
    await page.emulateMedia({ colorScheme });
    await page.screenshot({ path: path.join(folder, `${name}-${width}-${colorScheme}.png`), fullPage: true, animations: 'disabled' });
    if (colorScheme === 'light') await page.screenshot({ path: path.join(folder, `${name}-${width}-top.png`) });
  }
}

function looks(use, folder) {
  for (const size of sizes) {
    test(`every page at ${size.width} × ${size.height}: nothing sticks out, axe-core finds nothing, light and dark`, async () => {
      const { browser, service } = use;
      const page = await open(browser, { viewport: size });
      page.mayFail = true;
      for (const [name, address] of await addresses(service)) {
        const answer = await page.goto(address);
        assert.equal(answer.status(), statuses[name] ?? 200, name);
        // Details hold tables that only show when they are open.
        await page.evaluate(() => document.querySelectorAll('main details').forEach((d) => { d.open = true; }));
        const over = await page.evaluate(() => {
          const room = window.innerWidth;
          const out = [...document.querySelectorAll('body *')].filter((e) => e.getBoundingClientRect().right > room + 1 && !e.closest('.scroll, pre, .skip, thead'));
          return { wide: document.scrollingElement.scrollWidth - room, out: out.slice(0, 3).map((e) => e.outerHTML.slice(0, 120)) };
        });
        assert.ok(over.wide <= 0, `${name} scrolls sideways by ${over.wide} px: ${over.out.join(' | ')}`);
        // Colours are all that differs in the dark.
        for (const [colorScheme, ...rules] of [['light'], ['dark', 'color-contrast']]) {
          await page.emulateMedia({ colorScheme });
          assert.deepEqual(await axeFindings(page, ...rules), [], `${name}, ${colorScheme}`);
        }
        await page.evaluate(() => document.querySelectorAll('main details').forEach((d) => { d.open = false; }));
        if (folder) await pictures(page, folder, name, size);
        clean(page, name);
      }
      await page.context().close();
    });
  }
}

function onPaper(use, folder) {
  test('on paper no page has navigation or a table that is cut off', async () => {
    const { browser, service } = use;
    const page = await open(browser, { viewport: paper });
    page.mayFail = true;
    for (const [name, address] of await addresses(service)) {
      await page.emulateMedia({ media: 'screen' });
      await page.goto(address);
      await page.emulateMedia({ media: 'print' });
      for (const selector of ['.masthead nav', '.skip', '.filter', '.pager', '.live-switch', '.foot', 'form']) {
        for (const one of await page.locator(selector).all()) assert.equal(await one.isVisible(), false, `${name}: ${selector} is not printed`);
      }
      const cut = await page.evaluate(() => [...document.querySelectorAll('main table, main pre, main svg')].filter((e) => e.checkVisibility()).flatMap((e) => {
        const box = e.getBoundingClientRect();
        const around = e.closest('.scroll');
        return box.right > window.innerWidth + 1 || (around && around.scrollWidth > around.clientWidth + 1 && getComputedStyle(around).overflowX !== 'visible')
          ? [`${e.outerHTML.slice(0, 100)} ends at ${Math.round(box.right)} of ${window.innerWidth}`] : [];
      }));
      assert.deepEqual(cut, [], name);
    }
    clean(page);
    await page.context().close();
  });

  test('a printed unit holds every heading and cell of its tables', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    const [, address] = (await addresses(service)).find(([name]) => name === 'unit');
    await page.goto(address);
    const file = path.join(folder || service.folder, 'unit.pdf');
    await page.pdf({ path: file, preferCSSPageSize: true, format: 'A4' });
    const read = spawnSync('pdftotext', ['-layout', file, '-'], { encoding: 'utf8' });
    assert.equal(read.status, 0, String(read.error ?? read.stderr));
    const squeezed = plain(read.stdout).replaceAll(/\s/g, '');
    const words = (await texts(page.locator('table.days thead th, table.days tbody tr:first-child > *, table[aria-labelledby=measures-h] tbody td')));
    assert.ok(words.length > 16);
    for (const word of words.flatMap((w) => w.split(' '))) assert.ok(squeezed.includes(word), `"${word}" is on paper`);
    clean(page);
    await page.context().close();
  });
}

function byKeyboard(use) {
  test('with the keyboard the skip link works and the focus is always seen', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    for (const [name, address] of (await addresses(service)).filter(([n]) => ['fleet', 'unit', 'ingest', 'quarantine', 'disputes', 'correct', 'api'].includes(n))) {
      await page.goto(address);
      await page.keyboard.press('Tab');
      const skip = page.getByRole('link', { name: 'Skip to content' });
      assert.equal(await skip.evaluate((e) => e === document.activeElement && e.getBoundingClientRect().top >= 0), true, `${name}: the skip link comes first and shows`);
      await page.keyboard.press('Enter');
      assert.equal(await page.evaluate(() => document.activeElement.id), 'main', name);
      for (let presses = 0; presses < 15; presses++) {
        await page.keyboard.press('Tab');
        const seen = await page.evaluate(() => {
          const e = document.activeElement;
          const box = e.getBoundingClientRect();
          const style = getComputedStyle(e);
          return { inMain: Boolean(e.closest('main')), outlined: style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2,
            inView: box.width > 0 && box.bottom > 0 && box.top < window.innerHeight, html: e.outerHTML.slice(0, 100) };
        });
        // A short page ends before the presses do.
        if (!seen.inMain) break;
        assert.ok(seen.outlined && seen.inView, `${name}: ${JSON.stringify(seen)}`);
      }
      assert.ok(await page.evaluate(() => document.activeElement !== document.body), name);
    }
    clean(page);
    await page.context().close();
  });
}

function withoutScript(use) {
  test('without JavaScript the list filters, sorts and turns pages, and every page is there', async () => {
    const { browser, service } = use;
    const page = await open(browser, { javaScriptEnabled: false });
    page.mayFail = true;
    await page.goto(service.url);
    await page.getByLabel('Flag').selectOption({ label: flagTitles.silent });
    await page.getByLabel('Order').selectOption({ label: 'serial, A to Z' });
    await page.getByRole('button', { name: 'Show', exact: true }).click();
    await page.waitForURL(/flag=silent/);
    const units = await service.units({ flag: 'silent', sort: 'serial', limit: 50 });
    assert.ok(units.length > 0);
    assert.deepEqual(await serials(page), units.map((u) => u.unit));
    await page.locator('thead').getByRole('link', { name: 'Unit' }).click();
    await page.waitForURL(/reverse=1/);
    assert.deepEqual(await serials(page), units.map((u) => u.unit).reverse());
    await page.goto(`${service.url}/?sort=serial`);
    await page.getByRole('link', { name: 'Next units' }).click();
    await page.waitForURL(/after=/);
    assert.deepEqual(await serials(page), (await service.units({ sort: 'serial' })).slice(50, 100).map((u) => u.unit));
    for (const [name, address] of await addresses(service)) {
      await page.goto(address);
      assert.equal(await page.locator('h1').count(), 1, name);
      assert.equal(await page.locator('.live-switch').count(), 0, `${name}: nothing offers what needs JavaScript`);
    }
    clean(page);
    await page.context().close();
  });
}

function readingPages(use) {
  test('the reference lists every operation of the document, and its links lead there', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    await page.goto(service.url);
    await page.getByRole('navigation', { name: 'Pages' }).getByRole('link', { name: 'API' }).click();
    await page.waitForURL('**/api');
    const doc = await service.get('/api/v1/openapi.json');
    const told = Object.entries(doc.paths).flatMap(([where, item]) => Object.keys(item).map((method) => `${method.toUpperCase()} ${where}`));
    const listed = (await texts(page.locator('.operation .path'))).map((t) => t.replace(/ (needs|for) .*$/, ''));
    assert.deepEqual(listed.toSorted(), told.toSorted());
    for (const link of await page.locator('.contents a').all()) {
      const target = await link.getAttribute('href');
      assert.equal(await page.locator(target).count(), 1, target);
    }
    assert.equal((await page.request.get(service.url + await page.getByRole('link', { name: 'OpenAPI' }).getAttribute('href'))).status(), 200);
    clean(page);
    await page.context().close();
  });

  test('the page of the numbers explains every flag, and every link of the frame leads somewhere', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    await page.goto(`${service.url}/about/numbers`);
    assert.deepEqual(await texts(page.locator('.flags-defined dt')), Object.values(flagTitles));
    const targets = await page.locator('a[href^="/"]').evaluateAll((all) => [...new Set(all.map((a) => a.getAttribute('href')))]);
    assert.ok(targets.length >= 4);
    for (const target of targets) assert.equal((await page.request.get(service.url + target)).status(), 200, target);
    clean(page);
    await page.context().close();
  });

  test('a page that is not there says so, to programs as a problem document', async () => {
    const { browser, service } = use;
    const page = await open(browser);
    page.mayFail = true;
    assert.equal((await page.goto(`${service.url}/no/such/page`)).status(), 404);
    assert.equal(await page.locator('h1').innerText(), 'There is no such page');
    await page.getByRole('link', { name: 'To the fleet' }).click();
    await page.waitForURL(`${service.url}/`);
    const answer = await page.request.get(`${service.url}/api/v1/no-such-thing`);
    assert.equal(answer.status(), 404);
    assert.match(answer.headers()['content-type'], /^application\/problem\+json/);
    assert.equal((await answer.json()).status, 404);
    clean(page);
    await page.context().close();
  });
}

export function everyPage(use) {
  const folder = keep(process.env.SHOTS && path.resolve(process.env.SHOTS));
  looks(use, folder);
  onPaper(use, folder);
  byKeyboard(use);
  withoutScript(use);
  readingPages(use);
}
