// Shows a page anew as things change. Without it the page is the same, as of when it was loaded.
"use strict";
(() => {
  let under_way = false;
  let again = false;

  /** Puts in the place of each live part what it is by now, unless somebody is busy with it. */
  const renew = async () => {
    if (under_way) {
      again = true;
      return;
    }
    under_way = true;
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
      if (!answer.ok || answer.redirected) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      const parts = [...document.querySelectorAll("[data-live]"), ...document.querySelectorAll("header .clock, header nav")];
      for (const part of parts) {
        const selector = part.id ? `#${CSS.escape(part.id)}` : part.className ? `header .${part.className}` : "header nav";
        const other = fresh.querySelector(selector);
        const busy = part.contains(document.activeElement) || part.querySelector("details[open]");
        const written = [...part.querySelectorAll("textarea")].some((field) => field.value);
        if (other && !busy && !written && other.innerHTML !== part.innerHTML) part.innerHTML = other.innerHTML;
      }
      // What is set by hand, and the broker, stand between head and content.
      const strips = (page) => [...page.querySelectorAll("body > .strip")];
      const before = strips(document);
      const now = strips(fresh).map((strip) => document.importNode(strip, true));
      if (before.map((strip) => strip.outerHTML).join() !== now.map((strip) => strip.outerHTML).join()) {
        before.forEach((strip) => strip.remove());
        document.querySelector("main").before(...now);
      }
      document.dispatchEvent(new Event("renewed"));
    } catch (_) {
      // No network: the page stays as it is, and the events begin again by themselves.
    } finally {
      under_way = false;
      if (again) {
        again = false;
        setTimeout(renew, 1000);
      }
    }
  };

  new EventSource("/live").addEventListener("changed", () => {
    if (document.visibilityState === "visible") renew();
  });
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") renew();
  });
})();
