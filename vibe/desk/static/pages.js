/* Import and jobs: dropping, progress. */
"use strict";
const drop = $("[data-drop]"), job = $("#job");
if (drop) {
  const box = $(".drop", drop), files = $("[type=file]", drop), chosen = $("[data-chosen]", drop);
  const count = () => { const all = [...files.files], mb = all.reduce((sum, one) => sum + one.size, 0) / 1048576; chosen.textContent = all.length ? `${all.length} file${all.length === 1 ? "" : "s"}, ${mb.toFixed(1)} MB${mb > 512 ? ": too much at once, choose fewer" : ""}` : ""; };
  files.addEventListener("change", count);
  for (const name of ["dragover", "dragenter"]) box.addEventListener(name, (event) => { event.preventDefault(); box.classList.add("over"); });
  for (const name of ["dragleave", "drop"]) box.addEventListener(name, () => box.classList.remove("over"));
  box.addEventListener("drop", (event) => { event.preventDefault(); files.files = event.dataTransfer.files; count(); });
}
async function follow() {
  try {
    const answer = await ask(job.dataset.job);
    if (answer.ok) {
      const now = await answer.json(), bar = $("progress", job);
      if (now.over) { location.href = now.state === "done" ? now.next : location.pathname; return; }
      if (now.of) { bar.max = now.of; bar.value = now.done; $("[data-count]", job).textContent = `${now.done} of ${now.of}`; }
      $("[data-message]", job).textContent = now.message;
    }
  } catch { /* the notice says that the desk does not answer */ }
  setTimeout(follow, 700);
}
if (job && !job.dataset.over) follow();
keys({ Escape: () => { location.href = "/"; } });
