// Builds fadeledger, runs its demo as a process of its own and ends it as a
// person would: with an interrupt.
import { spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { chmodSync, existsSync, mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';

const root = path.resolve(import.meta.dirname, '../..');

// A folder that other users may pass through: as root, Postgres runs as
// somebody else.
function openFolder() {
  const folder = mkdtempSync(path.join(tmpdir(), 'fadeledger-browser-'));
  chmodSync(folder, 0o755);
  return folder;
}

function build(folder) {
  if (process.env.FADELEDGER_BIN) return path.resolve(process.env.FADELEDGER_BIN);
  const binary = path.join(folder, 'fadeledger');
  const made = spawnSync('go', ['build', '-o', binary, './cmd/fadeledger'], { cwd: root, encoding: 'utf8' });
  if (made.status !== 0) throw new Error(`go build: ${made.error ?? made.stderr}`);
  return binary;
}

async function freePort() {
  const server = createServer().listen(0, '127.0.0.1');
  await once(server, 'listening');
  const { port } = server.address();
  server.close();
  await once(server, 'close');
  return port;
}

// processes lists what runs, without those that are dead and wait for a parent
// to notice.
function processes() {
  const listed = spawnSync('ps', ['-A', '-o', 'pid=,ppid=,stat=,args='], { encoding: 'utf8' });
  if (listed.status !== 0) throw new Error(`ps: ${listed.error ?? listed.stderr}`);
  return listed.stdout.split('\n').flatMap((line) => {
    const m = /^\s*(\d+)\s+(\d+)\s+(\S+)\s+(.*)$/.exec(line);
    if (!m || m[3].startsWith('Z')) return [];
    return [{ pid: Number(m[1]), parent: Number(m[2]), args: m[4] }];
  });
}

export class Service {
  constructor(folder, data, port, child) {
    Object.assign(this, { folder, data, port, child, log: '', url: `http://127.0.0.1:${port}` });
    child.stderr.setEncoding('utf8').on('data', (text) => { this.log += text; });
    this.ended = once(child, 'exit').then(([code, signal]) => {
      if (!this.asked) console.error(`the service ended by itself, ${code ?? signal}:\n${this.log}`);
      return { code, signal };
    });
  }

  // start comes back once the pages are served; the history still comes in.
  static async start({ units, days, seed }) {
    const folder = openFolder();
    const data = path.join(folder, 'data');
    const port = await freePort();
    const child = spawn(build(folder), ['demo', '--data', data, '--listen', `127.0.0.1:${port}`,
      '--units', String(units), '--days', String(days), '--seed', String(seed)],
    { cwd: folder, stdio: ['ignore', 'ignore', 'pipe'] });
    const service = new Service(folder, data, port, child);
    await service.says('the dashboard is at');
    return service;
  }

  // serve starts a service without a fleet, to which nobody is let in yet; it has
  // the link that makes the first administrator.
  static async serve() {
    const folder = openFolder();
    const data = path.join(folder, 'data');
    const port = await freePort();
    const child = spawn(build(folder), ['serve', '--embedded', '--data', data, '--listen', `127.0.0.1:${port}`],
      { cwd: folder, stdio: ['ignore', 'ignore', 'pipe'] });
    const service = new Service(folder, data, port, child);
    await service.says('/welcome#');
    [service.first] = /http:\S+\/welcome#\S+/.exec(service.log);
    return service;
  }

  // says waits until the process has written a text.
  async says(text, patience = 120_000) {
    const until = Date.now() + patience;
    while (!this.log.includes(text)) {
      if (this.child.exitCode !== null) throw new Error(`the service ended with ${this.child.exitCode}:\n${this.log}`);
      if (Date.now() > until) throw new Error(`waited in vain for "${text}":\n${this.log}`);
      await sleep(50);
    }
  }

  // postgres lists the database's processes of this service.
  postgres() {
    const all = processes();
    const servers = all.filter((p) => p.args.includes(path.join(this.data, 'postgres')) && !p.args.includes('fadeledger demo'));
    const ids = new Set(servers.map((p) => p.pid));
    return [...servers, ...all.filter((p) => ids.has(p.parent))];
  }

  // alive says which of the given processes still run.
  static alive(before) {
    const now = new Map(processes().map((p) => [p.pid, p.args]));
    return before.filter((p) => now.get(p.pid) === p.args);
  }

  async interrupt(patience = 40_000) {
    this.asked = true;
    this.child.kill('SIGINT');
    return Promise.race([this.ended, sleep(patience, { code: 'still running' }, { ref: false })]);
  }

  // clear ends what a failed test left behind and removes the folder.
  async clear() {
    if (this.child.exitCode === null && this.child.signalCode === null) {
      const how = await this.interrupt();
      if (how.code === 'still running') this.child.kill('SIGKILL');
    }
    if (existsSync(this.folder)) rmSync(this.folder, { recursive: true, force: true, maxRetries: 5, retryDelay: 200 });
  }

  async get(where) {
    const answer = await fetch(this.url + where);
    const text = await answer.text();
    if (!answer.ok) throw new Error(`GET ${where}: ${answer.status}\n${text}`);
    return JSON.parse(text);
  }

  async send(method, where, body, headers) {
    const answer = await fetch(this.url + where, { method, body, headers });
    const text = await answer.text();
    if (!answer.ok) throw new Error(`${method} ${where}: ${answer.status}\n${text}`);
    return text === '' ? null : JSON.parse(text);
  }

  // register sends files by their names, as a form.
  register(files) {
    const form = new FormData();
    for (const [name, text] of Object.entries(files)) form.append('file', new Blob([text]), name);
    return this.send('POST', '/api/v1/register', form);
  }

  // deliver hands in CSV and waits until it is counted; it gives the receipt
  // with the delivery as rows.
  async deliver(collector, csv) {
    const receipt = await this.send('POST', `/api/v1/telemetry?collector=${collector}`, csv, { 'Content-Type': 'text/csv' });
    await this.counted();
    return { ...receipt, delivery: await this.get(`/api/v1/deliveries/${receipt.sequence}`) };
  }

  fleet() { return this.get('/api/v1/fleet'); }

  unit(serial) { return this.get(`/api/v1/units/${encodeURIComponent(serial)}`); }

  // units reads one page, or all pages where no limit is given.
  async units(query = {}) {
    if (query.limit) return (await this.get(`/api/v1/units?${new URLSearchParams(query)}`)).units;
    const all = [];
    for (let after = ''; ;) {
      const page = await this.get(`/api/v1/units?${new URLSearchParams({ ...query, limit: 500, ...(after && { after }) })}`);
      all.push(...page.units);
      if (!page.next) return all;
      after = page.next;
    }
  }

  // listed waits until the list shows a number of units that are new in it: it
  // follows a registration after a few seconds.
  async listed(query, many, patience = 60_000) {
    const until = Date.now() + patience;
    for (;;) {
      const units = await this.units(query);
      if (units.length === many) return units;
      if (Date.now() > until) throw new Error(`${units.length} of ${many} units are listed`);
      await sleep(200);
    }
  }

  // counted waits until everything that came in is counted.
  async counted(patience = 60_000) {
    const until = Date.now() + patience;
    for (;;) {
      const { stream } = await this.get('/api/v1/ingest');
      if (stream.pending + stream.unacked === 0) return;
      if (Date.now() > until) throw new Error(`still ${stream.pending} pending, ${stream.unacked} unacknowledged`);
      await sleep(100);
    }
  }

  // mark is what the demo keeps of itself.
  mark() { return JSON.parse(readFileSync(path.join(this.data, 'demo.json'), 'utf8')); }
}
