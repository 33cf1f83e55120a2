// Fetches this page again and swaps the parts that changed. Without it the page still works.
"use strict";

const EVERY_MS = 2000;
const lost = document.getElementById("lost");
const parts = new Map();

function partsOf(page) {
  return [...page.querySelectorAll("[data-part]")];
}

function remember(page) {
  for (const part of partsOf(page)) parts.set(part.dataset.part, part.outerHTML);
}

function swap(page) {
  const here = partsOf(document).map((part) => part.dataset.part).join();
  if (here !== partsOf(page).map((part) => part.dataset.part).join()) {
    location.reload();
    return;
  }
  for (const part of partsOf(page)) {
    const name = part.dataset.part;
    if (parts.get(name) === part.outerHTML) continue;
    parts.set(name, part.outerHTML);
    document.querySelector(`[data-part="${name}"]`).replaceWith(document.importNode(part, true));
  }
}

let tag = null;

async function look() {
  try {
    const headers = tag ? { "If-None-Match": tag } : {};
    const answer = await fetch(location.href, { headers, cache: "no-store", redirect: "error" });
    if (answer.status === 200) {
      tag = answer.headers.get("ETag");
      swap(new DOMParser().parseFromString(await answer.text(), "text/html"));
    }
    lost.hidden = answer.status === 200 || answer.status === 304;
  } catch {
    lost.hidden = false;
  }
}

async function follow() {
  if (!document.hidden) await look();
  setTimeout(follow, EVERY_MS);
}

remember(document);
setTimeout(follow, EVERY_MS);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) look();
});
