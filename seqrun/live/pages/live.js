// The bench page: takes the parts that the server sends, and sends what is pressed. Whatever fails
// here is told; the run itself goes on at the terminal.
"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const CALM_MS = 700; // a tap meant for the question before does not answer the next one

  // A page keeps its name when it is loaded again; a copy of the tab gets one of its own.
  const NAME = "seqrun-page";
  let page = sessionStorage.getItem(NAME);
  sessionStorage.removeItem(NAME);
  if (!page) {
    page = Array.from(crypto.getRandomValues(new Uint8Array(12)), (n) => n.toString(16).padStart(2, "0")).join("");
  }
  history.replaceState(null, "", location.pathname);

  let commands = false, over = false, question = "", heard = -1, calm = 0;

  function show(id, text) {
    $(id).textContent = text;
    $(id).hidden = !text;
  }

  async function send(what, fields) {
    try {
      const answer = await fetch(`/${what}`, {
        method: "POST", headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ page, ...fields }),
      });
      const said = await answer.json();
      show("refusal", answer.ok ? "" : said.refused || "It was refused.");
      return answer.ok;
    } catch (error) {
      show("refusal", "It did not get through. Answer at the terminal.");
      return false;
    }
  }

  function allow() {
    const may = commands && Date.now() >= calm;
    for (const one of document.querySelectorAll("#photo input")) one.disabled = !commands || over;
    for (const one of document.querySelectorAll("#todo button, #todo input, #todo select, #keys button")) {
      one.disabled = one.matches("input, select") ? !commands : !may;
    }
  }

  function put(id, html) {
    const part = $(id);
    const inside = part.contains(document.activeElement);
    part.innerHTML = html;
    if (id === "todo" && inside) {
      const head = part.querySelector("h1");
      if (head) head.focus();
    }
  }

  function take(message) {
    for (const [key, value] of Object.entries(message)) {
      if (key.startsWith("#")) put(key.slice(1), value);
    }
    if ("question" in message && message.question !== question) {
      question = message.question;
      show("refusal", "");
      calm = Date.now() + CALM_MS;
      setTimeout(allow, CALM_MS + 20);
      if (question) $("todo").scrollIntoView({ block: "nearest" });
    }
    if ("commands" in message) commands = message.commands;
    if ("other" in message) $("watching").hidden = !message.other;
    if (message.over) { over = true; $("stop").disabled = true; $("sure").close(); }
    for (const [number, urgent, text] of message.spoken || []) {
      if (number <= heard) continue;
      if (heard >= 0 || urgent) speak(text, urgent);
      heard = number;
    }
    if (heard < 0) heard = 0;
    document.title = (question ? "▶ " : "") + document.title.replace(/^▶ /, "");
    document.body.classList.toggle("asks", question !== "");
    allow();
  }

  function speak(text, urgent) {
    const line = document.createElement("p");
    line.textContent = text;
    const place = $(urgent ? "urgent" : "speak");
    place.append(line);
    while (place.children.length > 6) place.firstChild.remove();
  }

  // --- being fed ---------------------------------------------------------------------------

  function feed() {
    const source = new EventSource(`/events?page=${page}`);
    source.onopen = () => show("lost", "");
    source.onmessage = (event) => { show("lost", ""); take(JSON.parse(event.data)); };
    source.onerror = () => {
      if (over) {
        source.close();
        show("lost", "The run is over, and this page is fed no more. What it shows stays as it is.");
        return;
      }
      show("lost", "This page is not fed any more. The run goes on without it: look at the terminal.");
      commands = false;
      allow();
      if (source.readyState === EventSource.CLOSED) setTimeout(feed, 2000);
    };
  }

  async function here() {
    if (over) return;
    try {
      await fetch("/here", { method: "POST", body: JSON.stringify({ page }) });
    } catch (error) { /* the stream tells that it is lost */ }
  }

  // --- what is pressed ---------------------------------------------------------------------

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button || button.disabled) return;
    if ("answer" in button.dataset) {
      send("answer", { question: button.closest("[data-question]").dataset.question, answer: button.dataset.answer });
    } else if ("key" in button.dataset) {
      press(button.dataset.key);
    }
  });

  document.addEventListener("submit", (event) => {
    event.preventDefault();
    if (!commands || Date.now() < calm) return;
    const form = event.target, given = new FormData(form);
    let answer = String(given.get("value")).trim();
    if (given.get("unit")) answer = `${answer.replace(",", ".").replace("−", "-")} ${given.get("unit")}`;
    if (given.get("range")) answer += ` on ${given.get("range")}`;
    send("answer", { question: form.dataset.question, answer });
  });

  function press(key) {
    const button = document.querySelector(`#keys [data-key="${CSS.escape(key)}"]`);
    if (!button || button.disabled) return;
    send("press", { key }).then((ok) => {
      if (!ok) return;
      for (const other of document.querySelectorAll("#keys .last")) other.classList.remove("last");
      button.classList.add("last");
    });
  }

  $("keys").addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    if (event.key.length !== 1) return; // Tab, Enter and the like keep their meaning
    if (!document.querySelector(`#keys [data-key="${CSS.escape(event.key)}"]`)) return;
    event.preventDefault();
    press(event.key);
  });

  const MOST = 25e6; // octets of a picture; the server says the same
  $("photo-file")?.addEventListener("change", async (event) => {
    const field = event.target, file = field.files[0], said = $("photo-said");
    if (!file) return;
    if (file.size > MOST) { said.textContent = "The picture is too large: 25 MB at most."; field.value = ""; return; }
    said.textContent = "Sending it …";
    const told = new URLSearchParams({ page, note: $("photo-note").value });
    try {
      const answer = await fetch(`/photo?${told}`, { method: "POST", body: file });
      const back = await answer.json();
      said.textContent = answer.ok ? "Kept with the case." : back.refused || "It was refused.";
      if (answer.ok) $("photo-note").value = "";
    } catch (error) {
      said.textContent = "It did not get through. Take it again.";
    }
    field.value = "";
  });

  $("take").addEventListener("click", () => send("command", {}));
  $("stop").addEventListener("click", () => $("sure").showModal());
  $("stop-not").addEventListener("click", () => $("sure").close());
  $("stop-now").addEventListener("click", () => { $("sure").close(); send("stop", {}); });

  addEventListener("pagehide", () => {
    sessionStorage.setItem(NAME, page);
    navigator.sendBeacon("/closed", JSON.stringify({ page }));
  });
  addEventListener("pageshow", (event) => {
    if (event.persisted) { sessionStorage.removeItem(NAME); here(); }
  });

  allow();
  here().then(feed);
  setInterval(here, 4000);
})();
