// The pages in a browser, as the real service serves them.
//
// CHROMIUM names the browser, FADELEDGER_BIN a binary that is built already,
// SHOTS a folder that keeps a picture of every page.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { accessTests, roleTests } from './access.mjs';
import { bookTests } from './books.mjs';
import { launch } from './browser.mjs';
import { everyPage } from './everypage.mjs';
import { fleetTests, historyComesIn } from './fleet.mjs';
import { ingestTests } from './ingest.mjs';
import { Service } from './service.mjs';
import { unitTests } from './unit.mjs';

// What the tests share; they run one after the other.
const use = {};

before(async () => {
  use.browser = await launch();
  use.service = await Service.start({ units: 80, days: 60, seed: 1 });
});

after(async () => {
  await use.browser?.close();
  await use.service?.clear();
});

historyComesIn(use);
ingestTests(use);
bookTests(use);
everyPage(use);
roleTests(use);
unitTests(use);
fleetTests(use);

accessTests(use);

test('an interrupt ends the service in order and leaves no database behind', async () => {
  const { service } = use;
  const database = service.postgres();
  assert.ok(database.length > 1, 'the database runs');
  assert.deepEqual(await service.interrupt(), { code: 0, signal: null }, service.log);
  assert.deepEqual(Service.alive(database), [], 'processes of the database');
  assert.match(service.log, /stopped; the next start goes on from here/);
  const mark = service.mark();
  const live = Object.values(mark.live);
  assert.ok(live.length > 0 && live.every((at) => at > mark.history_end_ms), `the demo knows where it stopped: ${JSON.stringify(mark)}`);
});
