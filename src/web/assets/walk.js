// The walk without a network: its screens are kept on this device, and readings wait here until they can be sent. Each has a
// key of its own, so that one that is sent twice counts once; it is forgotten here only when the daemon has it on its disk.
"use strict";
(() => {
  const QUEUE = "lampwarden-readings";

  const waiting = () => {
    try {
      return JSON.parse(localStorage.getItem(QUEUE)) || [];
    } catch (_) {
      return [];
    }
  };
  const keep = (readings) => localStorage.setItem(QUEUE, JSON.stringify(readings));
  const forget = (key) => keep(waiting().filter((reading) => reading.fields.key !== key));

  /** Says what waits, and why. */
  const tell = (why) => {
    const place = document.getElementById("queue");
    if (!place) return;
    const count = waiting().length;
    place.hidden = count === 0;
    place.textContent = count === 1 ? `1 reading waits here. ${why}` : `${count} readings wait here. ${why}`;
  };

  let sending = false;

  /** Sends what waits, the oldest first. */
  const send = async () => {
    if (sending) return;
    sending = true;
    let why = "It is sent when there is a network again.";
    try {
      if (waiting().length > 0) {
        // The token of a session that may have begun since the page was kept.
        const plan = await fetch("/walk/plan.json", { cache: "no-store" });
        if (plan.redirected || plan.status === 401) throw new Error("Log in, and it is sent.");
        if (!plan.ok) throw new Error(why);
        const { token, may } = await plan.json();
        if (!may) throw new Error("It needs an account that may keep.");
        for (const reading of waiting()) {
          const body = new URLSearchParams(reading.fields);
          body.set("token", token);
          body.set("plain", "true");
          body.set("sure", "true");
          body.set("ago_ms", String(Math.max(0, Date.now() - reading.at)));
          const answer = await fetch(reading.to, { method: "POST", body });
          if (answer.status === 204) {
            forget(reading.fields.key);
          } else if (answer.status === 422) {
            why = `It was refused: ${await answer.text()}`;
          } else if (answer.redirected || answer.status === 401) {
            throw new Error("Log in, and it is sent.");
          } else {
            throw new Error("The program has not answered. It is tried again.");
          }
        }
        if (document.getElementById("queue") && waiting().length === 0) document.dispatchEvent(new Event("readings-sent"));
      }
    } catch (error) {
      if (error instanceof TypeError === false) why = error.message;
    } finally {
      sending = false;
      tell(why);
    }
  };

  const number = (fields) => {
    if (fields.uvi !== undefined) return Number(String(fields.uvi).replace(",", "."));
    return Number(fields.whole) + Number(fields.tenth) / 10;
  };

  /** Whether a reading should be asked about, by what the screen says is normal. */
  const odd = (form, uvi) => {
    const { low, high, ceiling } = form.dataset;
    if (ceiling && uvi > Number(ceiling)) return true;
    return low !== undefined && (uvi < Number(low) || uvi > Number(high));
  };

  const on_submit = (event) => {
    const form = event.target;
    const here = location.pathname;
    if (!/^\/walk\/[^/]+\/[^/]+$/.test(here) || form.method !== "post") return;
    const fields = Object.fromEntries(new FormData(form, event.submitter));
    const uvi = number(fields);
    if (fields.new || !Number.isFinite(uvi)) return;
    // Asked here and not by the server, which may not be in reach; what was asked about on its page is sure.
    if (odd(form, uvi) && !fields.sure) {
      const normal = form.dataset.low === undefined ? "" : ` Normal is ${form.dataset.low} to ${form.dataset.high}.`;
      if (!confirm(`You read UVI ${uvi.toFixed(1)}.${normal} Is that what it shows?`)) {
        event.preventDefault();
        return;
      }
    }
    event.preventDefault();
    const next = fields.next || "/walk";
    keep([...waiting(), { to: here, at: Date.now(), fields: { ...fields, uvi: uvi.toFixed(1) } }]);
    const leave = () => location.assign(next);
    // A moment for the network, so that the next screen may already tell of it; then on, whatever became of it.
    Promise.race([send(), new Promise((done) => setTimeout(done, 1500))]).then(leave, leave);
  };

  document.addEventListener("submit", on_submit);
  addEventListener("online", send);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && send());
  setInterval(() => waiting().length > 0 && send(), 15000);
  document.addEventListener("readings-sent", () => location.pathname === "/walk/done" && location.reload());
  send();

  if ("serviceWorker" in navigator) {
    navigator.serviceWorker.register("/worker.js").then(async () => {
      await navigator.serviceWorker.ready;
      const link = document.querySelector("a.start");
      if (!link) return;
      // Before the start everything the walk needs is taken along.
      const since = new URL(link.href).searchParams.get("since");
      const plan = await (await fetch(`/walk/plan.json?since=${since}`)).json();
      const kept = await caches.open("walk");
      const paths = ["/walk", "/style.css", "/walk.js", "/icon.svg", plan.done, ...plan.screens];
      for (const path of paths) await kept.add(path);
      const told = document.getElementById("offline");
      if (told) told.hidden = false;
    }).catch(() => {
      // Without a worker the walk goes on, page by page, while there is a network.
    });
  }
})();
