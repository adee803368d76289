// Keeps a test that is being typed in this browser until the server says it is stored.
// Each form has the record's id from the start, so sending twice stores once.
"use strict";
(() => {
  const PREFIX = "fleetdb-test:";
  const RETRY_MS = 15000;
  const LONGEST_MS = 60000;
  const CHECK_AFTER_MS = 500;

  // A browser may refuse to keep anything; the form then works as without a script.
  const kept = {
    get(key) {
      try { return JSON.parse(localStorage.getItem(key)); } catch { return null; }
    },
    put(key, value) {
      try { localStorage.setItem(key, JSON.stringify(value)); return true; } catch { return false; }
    },
    drop(key) {
      try { localStorage.removeItem(key); } catch { /* nothing was kept */ }
    },
    keys() {
      try { return Object.keys(localStorage); } catch { return []; }
    },
  };

  const fieldsOf = (form) => [...new FormData(form)].map(([name, value]) => [name, String(value)]);
  const valueIn = (fields, name) => (fields.find(([key]) => key === name) || [])[1] || "";

  // Returns the page that answers, or null when no answer came that this server's page
  // gave to this very record: a network's own sign-in page must not count as "stored".
  async function post(fields, signal) {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), LONGEST_MS);
    if (signal) signal.addEventListener("abort", () => stop.abort());
    try {
      const response = await fetch("/record", {
        method: "POST",
        body: new URLSearchParams(fields),
        headers: { Accept: "text/html" },
        signal: stop.signal,
      });
      const page = new DOMParser().parseFromString(await response.text(), "text/html");
      const answer = page.getElementById("answer");
      const is_ours = answer && answer.dataset.record === valueIn(fields, "record_id");
      return { status: response.status, left: response.redirected, page: is_ours ? page : null, outcome: is_ours ? answer.dataset.outcome : null };
    } finally {
      clearTimeout(timer);
    }
  }

  function paragraph(text, ...more) {
    const made = document.createElement("p");
    made.append(text, ...more);
    return made;
  }

  function button(text, action) {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = text;
    made.addEventListener("click", action);
    return made;
  }

  function link(text, address) {
    const made = document.createElement("a");
    made.href = address;
    made.textContent = text;
    return made;
  }

  function setUpUnits(form, may_fill) {
    const selects = [...form.querySelectorAll("select[data-quantity]")];
    const show = () => {
      for (const select of selects) {
        for (const span of form.querySelectorAll(`.unit[data-quantity="${select.dataset.quantity}"]`)) {
          span.textContent = select.value + span.dataset.after;
          span.hidden = false;
        }
      }
    };
    keepUnits(selects, may_fill);
    for (const select of selects) select.addEventListener("change", show);
    return show;
  }

  function fill(form, fields) {
    for (const [name, value] of fields) {
      const control = form.elements[name];
      if (control && name !== "form_key" && name !== "intent") control.value = value;
    }
  }

  function setUpForm() {
    const form = document.getElementById("test");
    if (!form) return;
    const key = PREFIX + form.elements.record_id.value;
    const typed = document.getElementById("typed");
    const sending = document.getElementById("sending");
    const outcome = document.getElementById("answer").dataset.outcome;
    const before = kept.get(key);
    let retry = null;
    let pending = null;
    let is_kept = false;
    let checking = null;
    let check_timer = null;

    const showUnits = setUpUnits(form, outcome === "form" && !before && !location.search.includes("_unit="));
    clockOf(form);
    if (before && outcome === "form") fill(form, before.fields);
    showUnits();

    function keep(is_waiting) {
      const draft = {
        whose: form.dataset.whose,
        vehicle: form.elements.vehicle.value,
        at: new Date().toISOString(),
        is_waiting,
        fields: fieldsOf(form),
      };
      is_kept = kept.put(key, draft);
      document.getElementById("keeping").hidden = !is_kept;
      return draft;
    }

    function tell(kind, ...parts) {
      sending.className = `told ${kind}`;
      sending.replaceChildren(...parts);
      sending.scrollIntoView({ block: "nearest" });
    }

    function unlock() {
      clearTimeout(retry);
      retry = null;
      pending = null;
      typed.disabled = false;
    }

    function change() {
      unlock();
      keep(false);
      sending.className = "";
      sending.replaceChildren();
    }

    async function send(fields) {
      clearTimeout(retry);
      retry = null;
      pending = fields;
      tell("done", paragraph("Sending …"));
      let answer = null;
      try {
        answer = await post(fields);
      } catch { /* no connection, or it broke before the answer */ }
      if (answer && answer.page) {
        show(answer);
        return;
      }
      if (answer && (answer.left || answer.status === 403)) {
        unlock();
        keep(false);
        tell("wrong", paragraph("◆ Not sent: you are signed out, or signed in anew since this form was shown. What you typed is kept. "),
          paragraph(link("Sign in and go on with it", `/record?vehicle=${encodeURIComponent(form.elements.vehicle.value)}&record=${form.elements.record_id.value}`)));
        return;
      }
      tell("wrong", paragraph("◆ No connection to the server. " + (is_kept ? "The test is kept in this browser and" : "This browser keeps nothing: leave this page open, and the test") + " goes out by itself when the connection is back; it is stored once, whatever happens."),
        button("Try now", () => send(fields)), " ", button("Stop, and change something", change));
      retry = setTimeout(() => send(fields), RETRY_MS);
    }

    function show(answer) {
      if (answer.outcome === "stored" || answer.outcome === "other_contents") kept.drop(key);
      document.title = answer.page.title;
      document.querySelector("main").replaceWith(answer.page.querySelector("main"));
      if (answer.outcome === "stored") history.replaceState(null, "", "/record/" + key.slice(PREFIX.length));
      window.removeEventListener("online", online);
      setUpForm();
      const heading = document.querySelector("main [role=alert], main [role=status]");
      heading.tabIndex = -1;
      heading.focus();
      window.scrollTo(0, 0);
    }

    const online = () => { if (retry !== null) send(pending); };
    window.addEventListener("online", online);

    async function check() {
      if (checking) checking.abort();
      checking = new AbortController();
      let answer = null;
      try {
        answer = await post([...fieldsOf(form), ["intent", "check"]], checking.signal);
      } catch { /* checked on arrival instead */ }
      if (!answer || !answer.page || typed.disabled) return;
      for (const place of form.querySelectorAll(".told-at")) {
        const control = form.elements[place.dataset.field];
        const said = answer.page.getElementById(place.id);
        // What is not typed yet is not missing yet.
        if (!control || !said || !control.value) { place.replaceChildren(); if (control && control.removeAttribute) control.removeAttribute("aria-invalid"); continue; }
        place.replaceChildren(...said.childNodes);
        if (place.querySelector(".wrong")) control.setAttribute("aria-invalid", "true");
        else control.removeAttribute("aria-invalid");
      }
    }

    form.addEventListener("input", () => keep(false));
    form.addEventListener("change", () => {
      keep(false);
      clearTimeout(check_timer);
      check_timer = setTimeout(check, CHECK_AFTER_MS);
    });
    form.addEventListener("submit", (event) => {
      if (event.submitter && event.submitter.value === "check") return;
      event.preventDefault();
      clearTimeout(check_timer);
      if (checking) checking.abort();
      const draft = keep(true);
      typed.disabled = true;
      send(draft.fields);
    });
    if (outcome === "other_contents") keep(false);
    if (before && before.is_waiting && outcome === "form") {
      is_kept = true;
      typed.disabled = true;
      send(fieldsOfDraft(before, form.elements.form_key.value));
    }
  }

  // The key of a form belongs to the session, and the session may have changed since.
  const fieldsOfDraft = (draft, form_key) => draft.fields.map(([name, value]) => [name, name === "form_key" ? form_key : value]);

  function setUpDrafts() {
    const section = document.getElementById("drafts");
    if (!section) return;
    const list = section.querySelector("ul");
    for (const key of kept.keys().filter((each) => each.startsWith(PREFIX))) {
      const draft = kept.get(key);
      if (!draft || draft.whose !== section.dataset.whose) continue;
      const id = key.slice(PREFIX.length);
      const item = document.createElement("li");
      const address = `/record?vehicle=${encodeURIComponent(draft.vehicle)}&record=${id}`;
      const discard = button("Throw away", () => {
        kept.drop(key);
        item.remove();
        section.hidden = !list.children.length;
      });
      item.append(paragraph(`${draft.vehicle}, typed ${new Date(draft.at).toLocaleString()}. `), link("Go on with it", address), " ", discard);
      list.append(item);
      section.hidden = false;
      if (draft.is_waiting) deliver(draft, key, item, id);
    }

    async function deliver(draft, key, item, id) {
      let answer = null;
      try {
        answer = await post(fieldsOfDraft(draft, section.dataset.formKey));
      } catch { /* tried again below */ }
      if (answer && answer.outcome === "stored") {
        kept.drop(key);
        item.replaceChildren(paragraph(`● ${draft.vehicle}: stored now. `, link("See the receipt", `/record/${id}`)));
      } else if (answer && answer.page) {
        kept.put(key, { ...draft, is_waiting: false });
        item.prepend(paragraph("✕ Not taken as it stands: go on with it to see why."));
      } else if (item.isConnected) {
        setTimeout(() => deliver(draft, key, item, id), RETRY_MS);
      }
    }
  }

  // A file's times are most likely by the clocks of where it is uploaded.
  for (const zone of document.querySelectorAll("input[data-zone]")) {
    zone.value = Intl.DateTimeFormat().resolvedOptions().timeZone || zone.value;
  }
  setUpForm();
  setUpDrafts();
})();
