/** The line to the program: what it tells, what it is asked. Both pages keep nothing else. */

export class Wire extends EventTarget {
  constructor() {
    super();
    /** @type {any} */
    this.state = null;
    this.pending = null;
    this.isBusy = false;
    const source = new EventSource("/news");
    source.addEventListener("state", (event) => this.take(JSON.parse(event.data)));
    source.onopen = () => this.dispatchEvent(new CustomEvent("line", { detail: true }));
    source.onerror = () => this.dispatchEvent(new CustomEvent("line", { detail: false }));
  }

  /** @param {any} state */
  take(state) {
    if (this.state && state.number < this.state.number) return;
    this.state = state;
    this.dispatchEvent(new Event("state"));
  }

  /** Ask for one act. @param {any} asked */
  async ask(asked) {
    await this.#answer(fetch("/act", {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(asked),
    }));
  }

  /** Of many asked in a row, such as a drag's, only the last that waits is sent. @param {any} asked */
  async hurry(asked) {
    this.pending = asked;
    if (this.isBusy) return;
    this.isBusy = true;
    while (this.pending) {
      const next = this.pending;
      this.pending = null;
      await this.ask(next);
    }
    this.isBusy = false;
  }

  /** @param {Blob} file */
  async photo(file) {
    await this.#answer(fetch("/photo", { method: "POST", body: file }));
  }

  /** @param {Promise<Response>} asked */
  async #answer(asked) {
    let trouble = "";
    try {
      const answer = await asked;
      const told = answer.ok ? await answer.json() : { trouble: await answer.text() };
      if (told.trouble) trouble = told.trouble;
      else this.take(told);
    } catch {
      this.dispatchEvent(new CustomEvent("line", { detail: false }));
    }
    this.dispatchEvent(new CustomEvent("trouble", { detail: trouble }));
  }
}
