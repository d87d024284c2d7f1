"use strict";
(() => {
  const list = document.getElementById("gaps");
  const tools = document.getElementById("tools");
  const count = document.getElementById("count");
  const search = document.getElementById("search");
  const sort = document.getElementById("sort");
  const hide = document.getElementById("hide-names");
  const picks = [...document.querySelectorAll(".pick")];
  const selects = [...document.querySelectorAll("[data-filter]")];
  const rows = [...list.children];
  const steps = [...document.querySelectorAll(".step")];
  const all = [...rows, ...steps];
  const groups = [...document.querySelectorAll(".same"), ...document.querySelectorAll(".over")];
  const people = [...document.querySelectorAll(".patient")];
  const one = document.getElementById("one");
  let only = "";
  const plain = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();
  const texts = new Map(all.map((row) => {
    const person = row.closest(".over")?.querySelector("h3").textContent ?? "";
    return [row, plain(`${person} ${row.textContent}`)];
  }));

  const shows = (row) => {
    const words = plain(search.value).split(/\s+/).filter(Boolean);
    const severities = picks.filter((p) => p.getAttribute("aria-pressed") === "true").map((p) => p.dataset.severity);
    const patient = (row.closest(".over") ?? row).dataset.patient;
    return (only === "" || patient === only)
      && words.every((w) => texts.get(row).includes(w))
      && (severities.length === 0 || severities.includes(row.dataset.pick))
      && selects.every((s) => s.value === "" || row.dataset[s.dataset.filter] === s.value);
  };
  const refresh = () => {
    let shown = 0;
    for (const row of all) {
      row.hidden = !shows(row);
      if (!row.hidden) shown += 1;
    }
    for (const group of groups) group.hidden = !group.querySelector(".step:not([hidden])");
    const filtered = shown < all.length ? " (filtered: the others are hidden)" : "";
    count.textContent = `${shown} of ${all.length} shown${filtered}`;
  };
  const order = () => {
    const field = sort.value;
    const number = (row) => Number(row.dataset.order);
    const key = (row) => field === "patient" ? row.dataset.patient.padStart(9, "0") : row.dataset[field];
    rows.sort((a, b) => (field === "order" ? 0 : key(a) < key(b) ? -1 : key(a) > key(b) ? 1 : 0) || number(a) - number(b));
    list.append(...rows);
  };
  const show = (patient) => {
    only = patient;
    document.body.classList.toggle("one", only !== "");
    for (const person of people) {
      person.hidden = only !== "" && person.dataset.patient !== only;
    }
    one.hidden = only === "";
    const shown = people.find((person) => person.dataset.patient === only);
    document.getElementById("one-name").replaceChildren(...(shown ? [...shown.querySelector("h3").cloneNode(true).childNodes] : []));
    refresh();
    if (only !== "") document.getElementById("list").focus();
  };
  const names = () => document.body.classList.toggle("no-names", Boolean(hide && hide.checked));

  for (const pick of picks) {
    pick.disabled = false;
    pick.addEventListener("click", () => {
      pick.setAttribute("aria-pressed", String(pick.getAttribute("aria-pressed") !== "true"));
      refresh();
    });
  }
  for (const person of people) {
    const button = person.querySelector(".only");
    button.hidden = false;
    button.addEventListener("click", () => show(person.dataset.patient));
  }
  document.getElementById("everybody").addEventListener("click", () => show(""));
  search.addEventListener("input", refresh);
  for (const select of selects) select.addEventListener("change", refresh);
  sort.addEventListener("change", order);
  if (hide) hide.addEventListener("change", names);
  tools.addEventListener("submit", (event) => event.preventDefault());
  tools.addEventListener("reset", () => setTimeout(() => {
    for (const pick of picks) pick.setAttribute("aria-pressed", "false");
    order();
    names();
    show("");
  }));
  document.getElementById("filters").open = window.matchMedia("(min-width: 861px)").matches;
  tools.hidden = false;
  order();
  names();
  refresh();
})();
