/* The list without reloading: each choice is an address, only the changing block is fetched. */
"use strict";
const place = $("#today"), picked = new Map();
const rows = () => $$(".cases tbody tr"), here = () => $(".cases tr.here");
let asking = 0;

async function show(address, { focus = null, push = true } = {}) {
  const mine = ++asking;
  let answer;
  try { answer = await ask(address); } catch { location.href = address; return; }
  if (mine !== asking) return;
  if (!answer.ok) { say(await answer.text()); return; }
  const q = $("#q"), typing = document.activeElement === q ? [q.selectionStart, q.value] : null;
  const open = $(".facets")?.open;
  place.innerHTML = await answer.text();
  if (push) history.replaceState(null, "", address);
  if (open === false && $(".facets")) $(".facets").open = false;
  if (typing) { const now = $("#q"); now.value = typing[1]; now.focus(); now.setSelectionRange(typing[0], typing[0]); }
  else if (focus) $(focus)?.focus();
  remark();
  const list = $(".lists a[aria-current]");
  if (list) document.title = `Today: ${$("span", list).textContent}, ${$("b", list).textContent} (vibe desk)`;
}
const formAddress = (form) => {
  const said = new URLSearchParams([...new FormData(form)].filter(([, value]) => value !== "")).toString();
  return said ? `/?${said}` : "/";
};
place.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-swap]");
  if (link && !event.ctrlKey && !event.metaKey && !event.shiftKey) {
    event.preventDefault();
    const key = link.dataset.list ? `[data-list="${link.dataset.list}"]` : link.closest("th") ? `th a[href="${CSS.escape(link.getAttribute("href"))}"]` : null;
    if (link.dataset.list) picked.clear();
    show(link.getAttribute("href"), { focus: link.dataset.list ? key : ".cases tr.here .drive a" });
    return;
  }
  const row = event.target.closest(".cases tbody tr");
  if (row && !event.target.closest("a, input")) stand(row);
});
place.addEventListener("change", (event) => {
  const form = event.target.closest("[data-facets]");
  if (form) {
    const name = event.target.name, value = event.target.value;
    show(formAddress(form), { focus: `[data-facets] input[name="${name}"][value="${CSS.escape(value)}"]` });
    return;
  }
  const row = event.target.closest(".cases tbody tr");
  if (row && event.target.matches("input[type=checkbox]")) {
    if (event.target.checked) picked.set(row.dataset.key, { kind: row.dataset.kind, grave: row.dataset.grave === "yes" });
    else picked.delete(row.dataset.key);
    bulk();
  }
});
let waits;
place.addEventListener("input", (event) => {
  if (event.target.id !== "q") return;
  clearTimeout(waits);
  waits = setTimeout(() => {
    const form = $("[data-facets]"), said = new URLSearchParams(form ? [...new FormData(form)].filter(([name]) => name !== "q") : []);
    const list = new URLSearchParams(location.search).get("list");
    if (list && !said.has("list")) said.set("list", list);
    if (event.target.value.trim()) said.set("q", event.target.value.trim());
    show(said.toString() ? `/?${said}` : "/");
  }, 120);
});
place.addEventListener("submit", async (event) => {
  if (event.target.matches("[data-find]")) { event.preventDefault(); return; }
  if (event.target.matches("[data-assign]")) { event.preventDefault(); assign([here().dataset.key]); }
});

async function stand(row, focus = true) {
  rows().forEach((one) => one.classList.toggle("here", one === row));
  if (focus) $(".drive a", row).focus({ preventScroll: true });
  const foot = innerHeight - ($("#strip")?.offsetHeight || 0) - 8, box = row.getBoundingClientRect();
  if (box.bottom > foot) scrollBy(0, box.bottom - foot); else if (box.top < 44) scrollBy(0, box.top - 44);
  const said = new URLSearchParams(location.search);
  said.set("at", row.dataset.key);
  history.replaceState(null, "", `/?${said}`);
  try {
    const answer = await ask(`/?${said}`, { headers: { "X-Part": "strip" } });
    if (answer.ok && here() === row && $("#strip")) $("#strip").innerHTML = await answer.text();
  } catch { /* the notice says that the desk does not answer */ }
}
function move(by) {
  const all = rows(), at = all.indexOf(here()) + by;
  if (all[at]) stand(all[at]);
  else if (at >= all.length && $("#on")) $("#on").click();
  else if (at < 0 && $("#back")) $("#back").click();
}
function remark() {
  for (const row of rows()) if (picked.has(row.dataset.key)) $("input", row).checked = true;
  bulk();
}
function bulk() {
  const box = $("[data-bulk]");
  if (!box) return;
  box.hidden = !picked.size;
  if (!picked.size) return;
  const all = [...picked.values()], kinds = new Set(all.map((one) => one.kind)), grave = all.filter((one) => one.grave).length;
  const why = kinds.size > 1 ? "they have different causes" : grave ? `${grave} ${grave === 1 ? "is" : "are"} severe or in state act and must be decided alone` : "";
  const count = picked.size, button = (words, act) => node("button", words, { type: "button", onclick: act });
  box.replaceChildren(node("b", `${count} selected`), ...(why ? [node("span", `Cannot be decided together: ${why}.`)] : [button(`Decide these ${count} together`, together)]),
    button(`Assign ${count} to me`, () => assign([...picked.keys()])), button("Select none", () => { picked.clear(); rows().forEach((row) => { $("input", row).checked = false; }); bulk(); }));
}
const together = () => { location.href = `/decide?${new URLSearchParams([...picked.keys()].map((key) => ["case", key]))}`; };
async function assign(keysOf) {
  const form = new FormData();
  keysOf.forEach((key) => form.append("case", key));
  try {
    const answer = await send("/assign", form);
    const words = await answer.text();
    if (!answer.ok) { say(words); return; }
    picked.clear();
    await show(location.pathname + location.search);
    say(words);
  } catch { say("The desk does not answer; nothing was recorded."); }
}
const list = (number) => () => $(`[data-list="${number}"]`)?.click();
keys({
  j: () => move(1), ArrowDown: () => move(1), k: () => move(-1), ArrowUp: () => move(-1),
  o: () => $("#strip [data-open]")?.click(), d: () => $("#strip [data-decide]")?.click(),
  a: () => here() && $("#strip [data-assign]") && assign([here().dataset.key]), x: () => $("input", here() || document)?.click(),
  "/": () => $("#q").focus(), f: () => { const box = $(".facets"); if (box) { box.open = true; $("input[type=checkbox]", box)?.focus(); } },
  "[": () => $("#back")?.click(), "]": () => $("#on")?.click(),
  s: () => { const all = $$(".cases thead a"), at = all.findIndex((one) => one.closest("[aria-sort]")); all[(at + 1) % all.length]?.click(); },
  ...Object.fromEntries([1, 2, 3, 4, 5, 6].map((number) => [`g${number}`, list(number)])),
});
if (matchMedia("(max-width: 48rem)").matches && $(".facets")) $(".facets").open = false;
