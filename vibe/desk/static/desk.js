/* What all screens share: keys, notices, messages with undo, and how the desk is asked. */
"use strict";
const $ = (what, at = document) => at.querySelector(what);
const $$ = (what, at = document) => [...at.querySelectorAll(what)];
const TOKEN = document.body.dataset.token, LIVE = document.body.dataset.live === "yes";
const escaped = (text) => String(text).replace(/[&<>"']/g, (c) => `&#${c.charCodeAt(0)};`);
const node = (name, words, more = {}) => Object.assign(document.createElement(name), { textContent: words }, more);

/* One question to the desk; a page part as text, or JSON. */
const ask = async (address, more = {}) => {
  const headers = { "X-Part": "1", ...(more.headers || {}) };
  return fetch(address, { ...more, headers, credentials: "same-origin", cache: "no-store" });
};
const send = (address, form) => {
  const body = form instanceof FormData ? form : new URLSearchParams(form);
  return ask(address, { method: "POST", body, headers: { "X-Token": TOKEN } });
};

let saying;
/* A message below; with `undo` it stays as long as undoing is offered. */
function say(words, undo = null, seconds = undo ? 20 : 6) {
  $(".toast")?.remove();
  const box = node("div", "", { className: "toast" });
  box.setAttribute("role", "status");
  box.append(node("span", words));
  if (undo) {
    const button = node("button", "Undo ", { type: "button" });
    button.append(node("kbd", "u"));
    button.onclick = () => { box.remove(); undo(); };
    box.append(button);
  }
  document.body.append(box);
  clearTimeout(saying);
  saying = setTimeout(() => box.remove(), seconds * 1000);
}
/* What is to be said on the next page, and what can be undone there. */
function sayNext(words, undo = null) { sessionStorage.setItem("say", JSON.stringify({ words, undo, at: Date.now() })); }
function undoOf(undo) {
  return undo && (async () => {
    try {
      const answer = await send(undo.address, { record: undo.record });
      sayNext(answer.ok ? "Taken back. Both stay on record." : await answer.text());
    } catch { sayNext("The desk does not answer; nothing was taken back."); }
    location.reload();
  });
}
{
  const kept = sessionStorage.getItem("say");
  sessionStorage.removeItem("say");
  if (kept) {
    const { words, undo, at } = JSON.parse(kept), left = 20 - (Date.now() - at) / 1000;
    say(words, undo && left > 1 ? undoOf(undo) : null, undo ? Math.max(left, 3) : 6);
  }
}

/* Single keys act only outside fields, without Ctrl, Alt or Meta, and can be switched off. */
const keysOn = () => localStorage.getItem("keys") !== "off";
function keys(map) {
  let waits = "";
  document.addEventListener("keydown", (event) => {
    const at = event.target;
    if (event.key === "Escape" && at.matches?.("input, textarea, select")) { at.blur(); return; }
    if (at.matches?.("input:not([type=checkbox], [type=radio]), textarea, select")) return;
    if ($("dialog[open]") || event.ctrlKey || event.altKey || event.metaKey || !keysOn()) return;
    const key = waits + event.key;
    waits = "";
    if (key === "g") { waits = "g"; return; }
    const act = map[key] || { "?": () => $("#help")?.click(), u: () => $(".toast button")?.click(), r: () => $("#notices [data-newer]")?.click() }[key];
    if (act && act(event) !== false) event.preventDefault();
  });
}
if ($("#help")) {
  const box = $("#keys"), on = $("#single");
  $("#help").hidden = false;
  $("#help").onclick = () => box.showModal();
  $("[data-close]", box).onclick = () => box.close();
  on.checked = keysOn();
  on.onchange = () => localStorage.setItem("keys", on.checked ? "on" : "off");
}

/* What is newer, and whether the desk still answers: asked every 15 s. Nothing moves until somebody wants it. */
const POLL_MS = 15000;
let silentSince = null, missed = 0;
const captures = Number(document.body.dataset.captures);
function notice(kind, parts, button) {
  const line = node("p", "", { className: `notice ${kind}` });
  parts.forEach(([tag, words]) => line.append(node(tag, words)));
  if (button) {
    const made = node("button", button.words, { type: "button", onclick: button.act });
    if (button.newer) made.dataset.newer = "";
    line.append(made);
  }
  $("#notices").replaceChildren(line);
}
async function poll() {
  const here = document.body.dataset.case || "";
  let news;
  try {
    const answer = await ask(`/api/news?since=${document.body.dataset.rev}&here=${encodeURIComponent(here)}`);
    if (!answer.ok) throw new Error(String(answer.status));
    news = await answer.json();
  } catch {
    missed += 1;
    silentSince ??= new Date();
    if (missed >= 2) {
      document.body.dataset.gone = "yes";
      $$("[data-records]").forEach((button) => { button.disabled = true; });
      const time = silentSince.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
      notice("gone", [["b", `The desk has not answered since ${time}.`], ["span", "Text you typed stays here; nothing is recorded until it answers."], ["span", "Next try in 15 s."]], { words: "Try now", act: poll });
    }
    return;
  }
  if (missed >= 2) {
    $("#notices").replaceChildren();
    delete document.body.dataset.gone;
    $$("[data-records]").forEach((button) => { button.disabled = false; });
    say("The desk answers again.");
  }
  missed = 0;
  silentSince = null;
  const far = $("[data-judging] [data-far]");
  if (far && news.judging && news.far[1]) far.textContent = `${news.far[0].toLocaleString("en")} of ${news.far[1].toLocaleString("en")} drives.`;
  const again = $("[data-waiting] [data-far]");
  if (again && news.waiting && news.far[1]) again.textContent = `${news.far[0].toLocaleString("en")} of ${news.far[1].toLocaleString("en")} are done.`;
  if (!news.waiting) $$("[data-waiting]").forEach((one) => one.remove());
  const more = news.captures - captures, was = Number(document.body.dataset.rev);
  // Where nothing was shown yet nothing can move: the first list appears by itself.
  if ($("[data-first]") && !news.judging && news.rev > was) location.reload();
  else if (news.rev > was && (news.cases || more)) {
    const said = [[more, "capture", " arrived"], [news.cases, "case", " changed"], [news.waiting, "drive", news.waiting === 1 ? " is still being judged again" : " are still being judged again"]];
    const words = said.filter(([count]) => count > 0).map(([count, one, what]) => `${count.toLocaleString("en")} ${one}${count === 1 ? "" : "s"}${what}`).join("; ");
    notice("", [["b", `${words}${here && news.here ? ", this one too" : ""}.`], ["span", "What you see does not move by itself."]], { words: "Show what is newer (r)", act: () => location.reload(), newer: true });
  } else if ($("[data-judging]") && !news.judging && news.rev > was) location.reload();
}
if (LIVE) {
  const often = Number(document.body.dataset.poll || POLL_MS);
  setInterval(poll, $("[data-judging], [data-waiting], [data-first]") ? 2000 : often);
  addEventListener("online", poll);
}
