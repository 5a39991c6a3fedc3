// Refreshes the parts of a page that are marked with data-live by fetching the
// same part of the same page again. Without this module the page still works;
// it then shows what was true when it was loaded.

const longestWait = 60_000;

class LivePart {
  constructor(element) {
    this.element = element;
    this.every = Number(element.dataset.every || 5) * 1000;
    this.wait = this.every;
    this.paused = false;
    this.button = this.addButton();
    document.addEventListener('visibilitychange', () => this.schedule());
    this.schedule();
  }

  addButton() {
    const button = document.createElement('button');
    button.type = 'button';
    button.className = 'live-switch';
    button.addEventListener('click', () => {
      this.paused = !this.paused;
      this.wait = this.every;
      this.say();
      this.schedule();
    });
    this.element.before(button);
    return button;
  }

  say(trouble = false) {
    this.button.setAttribute('aria-pressed', String(!this.paused));
    this.button.classList.toggle('trouble', trouble);
    this.button.textContent = this.paused ? 'Updates paused' : trouble ? 'No connection, trying again' : 'Updates itself';
  }

  schedule() {
    clearTimeout(this.timer);
    this.say();
    if (!this.paused && document.visibilityState === 'visible') {
      this.timer = setTimeout(() => this.refresh(), this.wait);
    }
  }

  async refresh() {
    let trouble = false;
    try {
      const answer = await fetch(this.element.dataset.live, { credentials: 'same-origin', signal: AbortSignal.timeout(15_000) });
      // Who is signed out meanwhile is asked to sign in, and comes back here.
      if (answer.status === 401) return location.reload();
      if (!answer.ok) throw new Error(`status ${answer.status}`);
      this.replace(await answer.text());
      this.wait = this.every;
    } catch {
      trouble = true;
      this.wait = Math.min(this.wait * 2, longestWait);
    }
    this.schedule();
    if (trouble) this.say(true);
  }

  // replace swaps the content unless someone is working inside it: a focused
  // link, a selection or what was typed must not vanish under the reader's
  // hands.
  replace(html) {
    if (this.element.contains(document.activeElement)) return;
    const selection = document.getSelection();
    if ([...this.element.querySelectorAll('input')].some((field) => field.value !== field.defaultValue)) return;
    if (selection && !selection.isCollapsed && this.element.contains(selection.anchorNode)) return;
    const fresh = new DOMParser().parseFromString(html, 'text/html');
    const open = [...this.element.querySelectorAll('details')].map((d) => d.open);
    this.element.replaceChildren(...fresh.body.childNodes);
    this.element.querySelectorAll('details').forEach((d, i) => { d.open = open[i] ?? d.open; });
  }
}

document.querySelectorAll('[data-live]').forEach((element) => new LivePart(element));
