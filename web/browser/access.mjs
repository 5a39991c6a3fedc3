// Tests of signing in, of what each role is shown, of people, tokens, the trail,
// and of registering files.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import path from 'node:path';
import { after, before, test } from 'node:test';
import { axeFindings, clean, open, table, texts } from './browser.mjs';
import { Service } from './service.mjs';
import { plain } from './words.mjs';

const phone = { width: 360, height: 740 };
const desk = { width: 1440, height: 900 };

// fits checks what holds on every page.
async function fits(page) {
  assert.deepEqual(await axeFindings(page), [], page.url());
  const over = await page.evaluate(() => document.scrollingElement.scrollWidth - window.innerWidth);
  assert.ok(over <= 0, `${page.url()} scrolls sideways by ${over} px`);
}

const press = (page, name) => page.getByRole('button', { name, exact: true }).click();

const links = (page) => texts(page.getByRole('navigation', { name: 'Pages', exact: true }).getByRole('link'));

async function signIn(page, login, password) {
  await page.getByLabel('Login', { exact: true }).fill(login);
  await page.getByLabel('Password', { exact: true }).fill(password);
  await press(page, 'Sign in');
}

// choose takes a one-time link and chooses a password with it.
async function choose(page, link, password, first) {
  await page.goto(link);
  await press(page, 'Go on');
  await page.getByLabel('New password').waitFor();
  assert.ok(!page.url().includes('#'), 'the code is taken out of the address');
  if (first) {
    await page.getByLabel('Login', { exact: true }).fill(first.login);
    await page.getByLabel('Name', { exact: true }).fill(first.name);
  }
  await fits(page);
  await page.getByLabel('New password').fill(password);
  await page.getByLabel('The same once more').fill(password);
  await press(page, 'Keep this password');
  await page.getByText('Signed in as').first().waitFor();
}

// roleTests are of the demo, which signs a browser in as the role that is chosen.
export function roleTests(use) {
  for (const viewport of [phone, desk]) {
    test(`the demo is shown as another role, ${viewport.width} px`, async () => {
      const { browser, service } = use;
      const page = await open(browser, { viewport });
      page.mayFail = true;
      const roles = {
        installer: ['Fleet', 'Registry', 'Numbers', 'API'],
        operations: ['Fleet', 'Registry', 'Ingest', 'Collectors', 'Numbers', 'API'],
        auditor: ['Fleet', 'Registry', 'Ingest', 'Collectors', 'Trail', 'Numbers', 'API'],
        administrator: ['Fleet', 'Registry', 'Ingest', 'Collectors', 'People', 'Tokens', 'Trail', 'Numbers', 'API'],
      };
      await page.goto(service.url);
      assert.match(plain(await page.locator('body').innerText()), /This is a demo/);
      let units = Infinity;
      for (const [role, want] of Object.entries(roles)) {
        await page.getByLabel('See it as').selectOption(role);
        await press(page, 'Switch');
        await page.getByText(`Signed in as demo-${role}`).waitFor();
        assert.deepEqual(await links(page), want, role);
        assert.equal((await page.goto(`${service.url}/people`)).status(), role === 'administrator' ? 200 : 403, role);
        await fits(page);
        await page.goto(service.url);
        const [, of] = /of ([\d,. ]+)/.exec(plain(await page.locator('.figure').first().innerText()));
        if (role === 'installer') units = Number(of.replace(/\D/g, ''));
        else assert.ok(Number(of.replace(/\D/g, '')) > units, 'an installer sees a part of the fleet');
      }
      for (const where of ['/people', '/tokens', '/trail', '/registry/import', '/registry/units/new']) {
        await page.goto(service.url + where);
        await fits(page);
      }
      clean(page);
      await page.context().close();
    });
  }
}

const models = `models:
  - name: BT-9
    chemistry: LFP
    rated_kwh: 5
    max_power_kw: 2.5
    max_gap: 15m
    charge_limit:
      - {cell_temp_c: 0, c_rate: 0.2}
      - {cell_temp_c: 45, c_rate: 0.5}
`;
const sites = 'site,zone,installer\nyard-1,Europe/Oslo,crew-a\nyard-2,Europe/Oslo,crew-b\n';
const units = (day) => `unit,model,site,commissioned\nBT9-1,BT-9,yard-1,${day}\nBT9-2,BT-9,yard-2,2026-02-01\n`;

const files = (list) => Object.entries(list).map(([name, text]) => ({ name, mimeType: name.endsWith('.csv') ? 'text/csv' : 'application/yaml', buffer: Buffer.from(text) }));

async function preview(page, service, list) {
  await page.goto(`${service.url}/registry/import`);
  await page.getByLabel('Files').setInputFiles(files(list));
  await press(page, 'See what that changes');
}

// kept gives the files of the catalogue that the other tests register, too.
const kept = () => Object.fromEntries(['models.yaml', 'sites.csv', 'units.csv'].map((name) => [name,
  readFileSync(path.resolve(import.meta.dirname, '../../testdata/catalogue', name), 'utf8')]));

// accessTests are of a service of their own, which begins with nobody.
export function accessTests(use) {
  const ada = { login: 'ada', name: 'Ada Lindqvist', password: 'seven plain herons' };
  const ilya = { login: 'ilya', name: 'Ilya <b>Brandt</b>', password: 'nine quiet lanterns' };
  let service;

  before(async () => { service = await Service.serve(); });
  after(async () => { await service?.clear(); });

  test('nobody sees anything; the console\'s link makes the first administrator, once', async () => {
    const { browser } = use;
    const page = await open(browser, { viewport: phone });
    page.mayFail = true;
    for (const where of ['/', '/units/BT9-1', '/ingest', '/people']) {
      await page.goto(service.url + where);
      assert.equal(new URL(page.url()).pathname, '/sign-in', where);
    }
    await fits(page);
    await choose(page, service.first, ada.password, ada);
    assert.match(plain(await page.locator('.masthead').innerText()), /Signed in as ada \(administrator\)/);
    await page.goto(`${service.url}/account`);
    await fits(page);
    await press(page, 'Sign out');
    await page.goto(service.url);
    assert.equal(new URL(page.url()).pathname, '/sign-in');
    await page.goto(service.first);
    await press(page, 'Go on');
    await page.getByRole('alert').waitFor();
    clean(page);
    await page.context().close();
  });

  test('files with a bad line are told by file, line and field; good ones show what they change, without JavaScript too', async () => {
    const { browser } = use;
    for (const [viewport, day, javaScriptEnabled] of [[phone, '2026-02-01', true], [desk, '2026-02-03', false]]) {
      const page = await open(browser, { viewport, javaScriptEnabled });
      page.mayFail = true;
      await page.goto(`${service.url}/registry/import`);
      await signIn(page, ada.login, ada.password);
      assert.equal(new URL(page.url()).pathname, '/registry/import', 'back to where somebody wanted to go');
      await preview(page, service, { 'models.yaml': models, 'sites.csv': sites, 'my units.csv': units('31 Feb') });
      const wrong = plain(await page.getByRole('alert').innerText());
      assert.match(wrong, /my units\.csv/);
      assert.match(plain(await page.locator('main').innerText()), /line 2|my units\.csv:2/i);
      assert.match(plain(await page.locator('main').innerText()), /commissioned/);
      if (javaScriptEnabled) await fits(page);
      await preview(page, service, { 'models.yaml': models, 'sites.csv': sites, 'my units.csv': units(day) });
      const rows = await table(page.getByRole('table', { name: 'Changes' }));
      if (javaScriptEnabled) {
        assert.equal(rows.length, 5, 'a model, two sites, two units');
        await fits(page);
      } else {
        assert.equal(rows.length, 1, 'one unit');
        assert.match(rows[0].join(' '), /unit BT9-1 .*commissioned 2026-02-01 .*becomes 2026-02-03/);
      }
      await press(page, 'Register these changes');
      await page.goto(`${service.url}/registry/sites`);
      assert.match(plain(await page.locator('main').innerText()), /yard-1[^]*yard-2/);
      clean(page);
      await page.context().close();
    }
  });

  for (const viewport of [phone, desk]) {
    test(`a catalogue with one broken line, then whole, then with one field changed, ${viewport.width} px`, async () => {
      const { browser } = use;
      const page = await open(browser, { viewport });
      page.mayFail = true;
      await page.goto(`${service.url}/registry/import`);
      await signIn(page, ada.login, ada.password);
      const whole = kept();
      const broken = { ...whole, 'units.csv': whole['units.csv'].replace('K5-0002,HB-5,S-1,SITE-01,2026-01-10,2026-02-01', 'K5-0002,HB-5,S-1,SITE-01,2026-01-10,2026-02-31') };
      assert.notEqual(broken['units.csv'], whole['units.csv']);
      await preview(page, service, broken);
      const [told, ...more] = await table(page.locator('table.registry-problems'));
      assert.deepEqual(more, [], 'one thing is wrong');
      assert.match(told[0], /units\.csv.*\b3\b/, 'the file and the line');
      assert.equal(told[1], 'commissioned');
      await fits(page);
      // The second width finds what the first one registered.
      const placement = viewport === phone ? 'garage' : 'exterior-wall';
      await preview(page, service, { ...whole, 'sites.csv': whole['sites.csv'].replace('garage', placement) });
      const rows = await table(page.getByRole('table', { name: 'Changes' }));
      if (viewport === phone) {
        const names = rows.map(([what]) => what);
        for (const name of ['K5-0001', 'K5-0002', 'K10-0001', 'SITE-01', 'SITE-02', 'HB-5', 'HB-10']) assert.ok(names.some((n) => n.includes(`${name} new`)), `${name} of ${names}`);
      } else {
        assert.equal(rows.length, 1, 'nothing but the site changes');
        assert.match(rows[0].join(' '), /^site SITE-01 placement garage → becomes exterior-wall$/);
      }
      await fits(page);
      await press(page, 'Register these changes');
      await page.goto(`${service.url}/registry/sites`);
      const site = (await table(page.getByRole('table', { name: 'Sites' }))).find(([name]) => name === 'SITE-01');
      assert.match(site.join(' '), viewport === phone ? /garage/ : /outside wall/);
      await fits(page);
      clean(page);
      await page.context().close();
    });

    test(`the keyboard alone signs in, ${viewport.width} px`, async () => {
      const { browser } = use;
      const page = await open(browser, { viewport });
      await page.goto(`${service.url}/sign-in`);
      const focused = () => page.evaluate(() => document.activeElement.labels?.[0]?.textContent ?? '');
      for (let presses = 0; await focused() !== 'Login'; presses++) {
        assert.ok(presses < 8, 'the login is reached with Tab');
        await page.keyboard.press('Tab');
      }
      await page.keyboard.type(ada.login);
      await page.keyboard.press('Tab');
      assert.equal(await focused(), 'Password');
      await page.keyboard.type(ada.password);
      await page.keyboard.press('Enter');
      await page.getByText('Signed in as').first().waitFor();
      assert.equal(new URL(page.url()).pathname, '/');
      clean(page);
      await page.context().close();
    });
  }

  test('somebody invited chooses a password, sees its organisation alone, and is out at once when disabled', async () => {
    const { browser } = use;
    const admin = await open(browser, { viewport: desk });
    await admin.goto(`${service.url}/people`);
    await signIn(admin, ada.login, ada.password);
    await admin.getByLabel('Login', { exact: true }).fill(ilya.login);
    await admin.getByLabel('Name', { exact: true }).fill(ilya.name);
    await admin.getByLabel('Role').selectOption({ label: 'installer' });
    await admin.getByLabel('Organisation').fill('crew-a');
    await press(admin, 'Invite');
    const link = (await admin.locator('#link').textContent()).trim();
    await fits(admin);
    const page = await open(browser, { viewport: phone });
    page.mayFail = true;
    await choose(page, link, ilya.password);
    assert.deepEqual(await links(page), ['Fleet', 'Registry', 'Numbers', 'API']);
    await page.goto(`${service.url}/registry/sites`);
    const shown = plain(await page.locator('main').innerText());
    assert.ok(shown.includes('yard-1') && !shown.includes('yard-2'), shown);
    assert.equal((await page.goto(`${service.url}/units/BT9-1`)).status(), 200);
    assert.equal((await page.goto(`${service.url}/units/BT9-2`)).status(), 404);
    assert.equal((await page.goto(`${service.url}/people`)).status(), 403);
    await fits(page);
    await admin.goto(`${service.url}/people`);
    await admin.getByRole('link', { name: 'ilya' }).click();
    assert.equal(await admin.locator('h1').textContent(), ilya.name, 'a name is text');
    await fits(admin);
    await press(admin, 'Let it sign in no more');
    await page.goto(service.url);
    assert.equal(new URL(page.url()).pathname, '/sign-in');
    for (const p of [admin, page]) {
      clean(p);
      await p.context().close();
    }
  });

  test('a token is shown once, and the trail tells what was done', async () => {
    const { browser } = use;
    const page = await open(browser, { viewport: desk });
    await page.goto(`${service.url}/tokens`);
    await signIn(page, ada.login, ada.password);
    await page.getByLabel('Name', { exact: true }).fill('desk');
    await page.getByRole('checkbox', { name: /see-units/ }).check();
    await press(page, 'Make the token');
    const secret = (await page.locator('#secret').textContent()).trim();
    await fits(page);
    const ask = () => fetch(`${service.url}/api/v1/fleet`, { headers: { Authorization: `Bearer ${secret}` } });
    assert.equal((await ask()).status, 200);
    // A reload sends the form again, so there may be another token by the name.
    await page.reload();
    assert.ok(!(await page.content()).includes(secret), 'the text of a token is told once');
    await page.goto(`${service.url}/tokens`);
    assert.ok(!(await page.content()).includes(secret), 'the text of a token is told once');
    const revoke = page.getByRole('button', { name: 'Revoke token desk', exact: true });
    const many = await revoke.count();
    assert.ok(many > 0, 'the token can be revoked');
    for (let left = many; left > 0; left--) {
      assert.equal(await revoke.count(), left);
      await revoke.first().click();
      await page.waitForLoadState('load');
      await page.getByText('revoked').nth(many - left).waitFor();
    }
    assert.equal(await revoke.count(), 0, 'no token by the name holds');
    assert.equal((await ask()).status, 401);
    await page.goto(`${service.url}/trail`);
    const told = plain(await page.locator('main').innerText());
    for (const what of ['token desk', 'person ilya', 'unit BT9-1', 'person ada']) assert.ok(told.includes(what), `${what}: ${told}`);
    await press(page, 'Check the chain');
    assert.match(plain(await page.locator('main').innerText()), /whole/);
    await fits(page);
    clean(page);
    await page.context().close();
  });

  for (const viewport of [phone, desk]) {
    test(`a wrong password says the same for everybody, and then a login waits, ${viewport.width} px, by keyboard`, async () => {
      const { browser } = use;
      const page = await open(browser, { viewport });
      page.mayFail = true;
      const said = [];
      for (const login of [`nobody-${viewport.width}`, viewport === phone ? ilya.login : ada.login]) {
        await page.goto(`${service.url}/sign-in`);
        await page.getByLabel('Login', { exact: true }).focus();
        await page.keyboard.type(login);
        await page.keyboard.press('Tab');
        await page.keyboard.type('not the password');
        await page.keyboard.press('Enter');
        said.push(plain(await page.getByRole('alert').innerText()));
        assert.equal(await page.getByLabel('Password', { exact: true }).inputValue(), '');
      }
      assert.equal(said[0], said[1]);
      await fits(page);
      let [text] = said;
      for (let attempt = 0; attempt < 8 && text === said[0]; attempt++) {
        await signIn(page, `nobody-${viewport.width}`, `guess ${attempt}`);
        text = plain(await page.getByRole('alert').innerText());
      }
      assert.match(text, /\d\d:\d\d/, 'it says until when');
      await fits(page);
      clean(page);
      await page.context().close();
    });
  }
}
