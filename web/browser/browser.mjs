// The browser, and what all tests watch for on every page.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { setTimeout as sleep } from 'node:timers/promises';
import { isDeepStrictEqual } from 'node:util';
import { chromium } from 'playwright-core';
import { plain } from './words.mjs';

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

export const launch = () => chromium.launch({
  executablePath: process.env.CHROMIUM || '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking',
    '--disable-component-update', '--disable-sync'],
});

// open gives a page that notes whatever goes wrong in it. The caller checks
// with clean(page) and closes page.context().
export async function open(browser, options = {}) {
  // Smooth scrolling would only make every click wait.
  const context = await browser.newContext({ viewport: { width: 1440, height: 900 }, reducedMotion: 'reduce', ...options });
  context.setDefaultTimeout(20_000);
  const page = await context.newPage();
  page.trouble = [];
  page.on('console', (m) => {
    // A page that is rightly answered with 404 is told as an error, too.
    const own = m.text().startsWith('Failed to load resource') && m.location().url === page.url().split('#')[0] && page.mayFail;
    if (['error', 'warning'].includes(m.type()) && !own) page.trouble.push(`console ${m.type()}: ${m.text()} (${m.location().url})`);
  });
  page.on('pageerror', (e) => page.trouble.push(`exception: ${e}`));
  page.on('dialog', (d) => {
    page.trouble.push(`dialog: ${d.message()}`);
    d.dismiss();
  });
  page.on('requestfailed', (r) => {
    // A navigation ends the refresh that is under way, and a download ends
    // the navigation.
    if (r.failure()?.errorText !== 'net::ERR_ABORTED') page.trouble.push(`request failed: ${r.url()} ${r.failure()?.errorText}`);
  });
  page.on('request', (r) => {
    const { hostname, protocol } = new URL(r.url());
    if (hostname !== '127.0.0.1' && protocol !== 'data:') page.trouble.push(`asks another host: ${r.url()}`);
  });
  if (options.javaScriptEnabled !== false) {
    await page.exposeFunction('noteViolation', (text) => page.trouble.push(`content policy: ${text}`));
    await page.addInitScript(() => document.addEventListener('securitypolicyviolation',
      (e) => window.noteViolation(`${e.violatedDirective} ${e.blockedURI}`)));
  }
  return page;
}

export const clean = (page, where = page.url()) => assert.deepEqual(page.trouble, [], where);

// axeFindings gives what axe-core finds, as lines to read; by all its rules
// unless some are named.
export async function axeFindings(page, ...rules) {
  await page.evaluate(axe);
  const { violations } = await page.evaluate((only) => window.axe.run(document, {
    resultTypes: ['violations'], ...(only.length > 0 && { runOnly: only }),
  }), rules);
  return violations.map((v) => `${v.impact}: ${v.id}, ${v.help}: ${v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)).join(' | ')}`);
}

// agree holds what a page shows against what the JSON interface tells. Live
// samples may arrive between the two readings, and some numbers follow the
// clock; so the page may agree with the answer before it or after it, and is
// read anew a few times before it is wrong.
export async function agree(readPage, readAPI, what) {
  for (let attempt = 0; ; attempt++) {
    const before = await readAPI();
    const shown = await readPage();
    if (isDeepStrictEqual(shown, before)) return shown;
    const after = await readAPI();
    if (isDeepStrictEqual(shown, after)) return shown;
    if (attempt === 3) assert.deepEqual(shown, after, what);
    await sleep(700);
  }
}

export const texts = async (locator) => (await locator.allInnerTexts()).map(plain);

// figures reads the ruled line of figures: label to value and unit.
export async function figures(page) {
  const pairs = await page.locator('.figure').evaluateAll((list) => list.map((f) => [
    f.querySelector('dt').textContent,
    `${f.querySelector('.value').textContent} ${f.querySelector('.unit')?.textContent ?? ''}`,
  ]));
  return Object.fromEntries(pairs.map(([label, value]) => [label, plain(value)]));
}

// table reads the rows of a table as lists of texts. Where a row is a card,
// the headings before its cells are not part of its text.
export const table = async (locator) => (await locator.locator('tbody tr').evaluateAll((rows) => rows.map((r) => [...r.cells].map((c) => c.textContent))))
  .map((cells) => cells.map(plain));

export const serials = (page) => page.locator('table.units .serial').allTextContents();
