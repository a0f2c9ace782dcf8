// Forms that write: sent as JSON with our own header, their answer shown in place; files sent in pieces; waiting for work.
(function () {
  "use strict";
  const PIECE = 2 * 1024 * 1024;
  const HEADERS = { "Content-Type": "application/json", "X-Both-Ends": "1" };

  function go(href) {
    if (href === location.pathname + location.search) { location.reload(); return; }  // the same page, as it is now
    history.pushState({}, "", href);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
    window.scrollTo(0, 0);
  }
  async function post(to, body) {
    try {
      const answer = await fetch(to, { method: "POST", headers: HEADERS, body: JSON.stringify(body || {}) });
      const told = await answer.json().catch(() => ({ message: answer.status === 403 ? "This browser may not write here." : "The server refused this (" + answer.status + ")." }));
      return Object.assign({ status: answer.status }, told);
    } catch (e) {
      return { status: 0, message: "The server does not answer. What you typed is still here; try again." };
    }
  }
  function values(form) {
    const said = {};
    form.querySelectorAll("[name]").forEach(function (field) {
      if (field.type === "checkbox") said[field.name] = field.checked ? "yes" : "";
      else said[field.name] = field.value;
    });
    return said;
  }
  // A value that a script writes has to pass through React's own listener.
  function write(field, value) {
    const kind = field.tagName === "TEXTAREA" ? HTMLTextAreaElement : HTMLInputElement;
    Object.getOwnPropertyDescriptor(kind.prototype, "value").set.call(field, value);
    field.dispatchEvent(new Event("input", { bubbles: true }));
    field.dispatchEvent(new Event("change", { bubbles: true }));
  }

  // ---- what is shown depends on other fields ---------------------------------------------------------------
  function refresh(form) {
    const columns = {};
    form.querySelectorAll("select[name^='meaning.']").forEach(function (list) {
      const row = list.closest("tr");
      if (list.value) columns[list.value] = { name: row.querySelector("th b").textContent, picture: row.querySelector("img.trace") };
    });
    const said = values(form);
    form.querySelectorAll("[data-when]").forEach(function (part) {
      const [name, allowed] = part.dataset.when.split("=");
      const value = name === "time" ? (columns.time ? "" : "none") : said[name];
      part.hidden = !allowed.split(" ").includes(value);
    });
    ["front", "rear"].forEach(function (end) {
      const section = form.querySelector("#sensor-" + end);
      if (!section) return;
      section.hidden = !columns[end];
      if (!columns[end]) return;
      section.querySelector(".column-of").textContent = "Column: " + columns[end].name + ".";
      const picture = section.querySelector(".picker img");
      if (columns[end].picture && picture) picture.src = columns[end].picture.src;
    });
  }
  const kept = new WeakMap();
  function keep(form) {
    if (!form.dataset.keep) return;
    clearTimeout(kept.get(form));
    kept.set(form, setTimeout(() => post(form.dataset.keep, values(form)), 500));
  }
  ["change", "input"].forEach(kind => document.addEventListener(kind, function (event) {
    const form = event.target.closest("form.work");
    if (!form) return;
    const field = event.target.closest("[data-field]");
    if (field) clear(field);
    if (kind === "change") refresh(form);
    keep(form);
  }));

  // ---- faults, in place ------------------------------------------------------------------------------------
  function clear(field) {
    field.querySelectorAll(":scope > .fault").forEach(words => words.remove());
    const input = field.querySelector("[name]");
    if (input) { input.removeAttribute("aria-invalid"); input.removeAttribute("aria-describedby"); }
  }
  function showFaults(form, faults) {
    form.querySelectorAll("[data-field]").forEach(clear);
    const rest = [];
    let first = null;
    Object.entries(faults).forEach(function ([name, words]) {
      const field = [...form.querySelectorAll("[data-field]")].find(one => one.dataset.field === name && !one.closest("[hidden]"));
      if (!field) { rest.push((name ? name + ": " : "") + words); return; }
      const said = document.createElement("span");
      said.className = "fault";
      said.id = "fault-of-" + name;
      said.textContent = words;
      field.appendChild(said);
      const input = field.querySelector("[name]");
      if (input) { input.setAttribute("aria-invalid", "true"); input.setAttribute("aria-describedby", said.id); }
      if (!first || first.compareDocumentPosition(field) & Node.DOCUMENT_POSITION_PRECEDING) first = field;
    });
    const count = Object.keys(faults).length;
    tell(form, (count === 1 ? "One thing is" : count + " things are") + " to be put right. " + rest.join(" "), true);
    if (first) {
      (first.querySelector("[name]") || first).focus();
      first.scrollIntoView({ block: "center" });
    }
  }
  function tell(form, words, bad) {
    const place = form.querySelector(".answer");
    place.textContent = words;
    place.classList.toggle("bad", !!bad);
  }

  // ---- waiting for work ------------------------------------------------------------------------------------
  async function wait(job, say) {
    for (;;) {
      let told;
      try { told = await (await fetch("/job/" + encodeURIComponent(job))).json(); }
      catch (e) { told = { state: "working", words: "the server does not answer" }; }
      if (!["waiting", "working"].includes(told.state)) return told;
      say(told);
      await new Promise(done => setTimeout(done, 400));
    }
  }
  async function waitIn(form, job) {
    const place = form.querySelector(".progress");
    place.hidden = false;
    place.innerHTML = "";
    const words = document.createElement("span"), stop = document.createElement("button");
    stop.type = "button";
    stop.textContent = "Stop";
    stop.addEventListener("click", () => post("/write/job/" + job + "/stop"));
    place.append(words, stop);
    const told = await wait(job, now => { words.textContent = now.what + ": " + now.words + ", " + now.seconds + " s"; });
    place.hidden = true;
    if (told.state === "done") { go(told.then); return; }
    tell(form, told.words, true);
    busy(form, false);
  }
  function busy(form, is) {
    form.querySelectorAll("button[type=submit]").forEach(button => { button.disabled = is; });
    form.setAttribute("aria-busy", String(is));
  }
  document.addEventListener("submit", async function (event) {
    const form = event.target.closest("form.work");
    if (!form) return;
    event.preventDefault();
    event.stopPropagation();
    if (form.getAttribute("aria-busy") === "true") return;
    if (form.dataset.goto) {
      const asked = Object.entries(values(form)).filter(([name, value]) => value.trim())
        .map(([name, value]) => name + "=" + value.trim().replace(",", "."));
      go(form.dataset.goto + "&stand=" + encodeURIComponent(asked.join(",")));
      return;
    }
    clearTimeout(kept.get(form));
    busy(form, true);
    tell(form, "", false);
    await answered(form, await post(form.dataset.send, values(form)));
  }, true);
  async function answered(form, told) {
    if (told.job) { await waitIn(form, told.job); return; }
    busy(form, false);
    if (told.faults) showFaults(form, told.faults);
    else if (told.message) tell(form, told.message, true);
    else if (told.then) go(told.then);
    else tell(form, told.words || "Kept.", false);
  }
  function notice(words) {
    const place = document.getElementById("notice");
    if (place) place.textContent = words;
  }
  document.addEventListener("click", async function (event) {
    const button = event.target.closest("button[data-act]");
    if (!button || (button.dataset.sure && !window.confirm(button.dataset.sure))) return;
    button.disabled = true;
    const body = button.dataset.body ? JSON.parse(button.dataset.body) : {};
    const told = await post(button.dataset.act, body);
    button.disabled = false;
    if (told.job) {
      const done = await wait(told.job, now => { button.textContent = now.words + ", " + now.seconds + " s"; });
      if (done.state === "done") go(done.then); else notice(done.words);
    } else if (told.then) go(told.then);
    else if (told.message) notice(told.message);
  });

  document.addEventListener("click", function (event) {
    const button = event.target.closest("button[data-fill]");
    if (!button) return;
    Object.entries(JSON.parse(button.dataset.fill)).forEach(function ([name, value]) {
      const field = button.closest("form").querySelector("[name='" + name + "']");
      if (field) write(field, value);
    });
    tell(button.closest("form"), "Copied. Now change what was changed, then keep it.", false);
  });

  // ---- files -----------------------------------------------------------------------------------------------
  let sending = null;
  async function upload(file) {
    const said = document.getElementById("upload-said"), bar = document.getElementById("arrived"), stop = document.getElementById("upload-stop");
    if (sending) return;
    const begun = await post("/write/upload", { name: file.name, size: String(file.size) });
    if (!begun.token) { said.textContent = begun.message || "The file was refused."; return; }
    const mine = sending = { stopped: false };
    bar.hidden = stop.hidden = false;
    stop.onclick = () => { mine.stopped = true; };
    let at = 0, told = null;
    while (at < file.size) {
      if (mine.stopped) {
        await post("/write/upload/" + begun.token + "/stop");
        said.textContent = "Stopped; nothing was kept.";
        break;
      }
      try {
        const answer = await fetch("/write/upload/" + begun.token + "/" + at, {
          method: "POST", headers: { "Content-Type": "application/octet-stream", "X-Both-Ends": "1" }, body: file.slice(at, at + PIECE) });
        told = await answer.json();
        if (!answer.ok || told.message) throw new Error(told.message);
      } catch (e) {
        said.textContent = "The file did not arrive: " + (e.message || "the server does not answer") + " Choose it again.";
        told = null;
        break;
      }
      at = Math.min(at + PIECE, file.size);
      bar.value = (100 * at) / file.size;
      said.textContent = file.name + ": " + Math.round(bar.value) + " % sent";
    }
    sending = null;
    bar.hidden = stop.hidden = true;
    if (!told || !told.then) return;
    const done = await wait(told.job, now => { said.textContent = now.words + ", " + now.seconds + " s"; });
    if (done.state === "done") go(done.then);
    else said.textContent = done.words;
  }
  function chooser(place, label, take) {
    if (place.firstChild) return;
    const field = document.createElement("input");
    field.type = "file";
    field.setAttribute("aria-label", label);
    field.addEventListener("change", () => { if (field.files.length) take(field.files[0]); });
    place.appendChild(field);
  }
  function dress() {
    const drop = document.getElementById("drop");
    if (drop && !drop.dataset.ready) {
      drop.dataset.ready = "1";
      chooser(document.getElementById("choose-file"), "Log file", upload);
      ["dragover", "dragleave", "drop"].forEach(kind => drop.addEventListener(kind, function (event) {
        event.preventDefault();
        drop.classList.toggle("over", kind === "dragover");
        if (kind === "drop" && event.dataTransfer.files.length) upload(event.dataTransfer.files[0]);
      }));
    }
    document.querySelectorAll("[id^=choose-][data-into]").forEach(place => chooser(place, "Bike file", async function (file) {
      if (file.size > 300000) { notice("This is no bike file: it is larger than 300 kB."); return; }
      write(document.getElementsByName(place.dataset.into)[0], await file.text());
    }));
    const waiting = document.getElementById("waiting");
    if (waiting && !waiting.dataset.ready) {
      waiting.dataset.ready = "1";
      wait(waiting.dataset.job, now => { waiting.firstChild.textContent = now.words + ", " + now.seconds + " s"; }).then(function (done) {
        if (done.state === "done") location.replace(done.then); else waiting.firstChild.textContent = done.words;
      });
    }
    document.querySelectorAll(".ticks li:not([data-ready])").forEach(function (item) {
      item.dataset.ready = "1";
      const label = document.createElement("label"), box = document.createElement("input");
      box.type = "checkbox";
      box.checked = item.dataset.ticked === "yes";
      box.addEventListener("change", async function () {
        const told = await post("/write/ticks/" + item.dataset.run, { check: item.dataset.check, on: box.checked ? "yes" : "" });
        if (told.words !== "kept") box.checked = !box.checked;
      });
      label.append(box, ...item.childNodes);
      item.appendChild(label);
    });
    document.querySelectorAll("form.work").forEach(function (form) {
      if (form.dataset.ready) return;
      form.dataset.ready = "1";
      refresh(form);
    });
  }
  new MutationObserver(dress).observe(document.documentElement, { childList: true, subtree: true });
  window.addEventListener("dragover", event => { if (document.getElementById("drop")) event.preventDefault(); });
  window.addEventListener("drop", event => { if (document.getElementById("drop")) event.preventDefault(); });

  // ---- a stretch of the log drawn on its trace ----------------------------------------------------------------
  let drawn = null;
  function share(picker, event) {
    const box = picker.getBoundingClientRect();
    return Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1);
  }
  document.addEventListener("pointerdown", function (event) {
    const picker = event.target.closest(".picker");
    if (!picker) return;
    event.preventDefault();
    drawn = { picker: picker, from: share(picker, event) };
    picker.setPointerCapture(event.pointerId);
  });
  document.addEventListener("pointermove", function (event) {
    if (!drawn) return;
    const to = share(drawn.picker, event), mark = drawn.picker.querySelector(".stretch");
    mark.hidden = false;
    mark.style.left = 100 * Math.min(drawn.from, to) + "%";
    mark.style.width = 100 * Math.abs(to - drawn.from) + "%";
  });
  document.addEventListener("pointerup", function (event) {
    if (!drawn) return;
    const picker = drawn.picker, to = share(picker, event), length = Number(picker.dataset.length);
    const ends = [Math.min(drawn.from, to) * length, Math.max(drawn.from, to) * length];
    drawn = null;
    if (ends[1] - ends[0] < 0.002 * length) return;
    write(document.getElementsByName(picker.dataset.into)[0], ends.map(s => s.toFixed(1)).join(" "));
  });

  // ---- a place on the ride seen from above ---------------------------------------------------------------------
  document.addEventListener("click", function (event) {
    const map = event.target.closest(".map-picker");
    if (!map) return;
    const box = map.getBoundingClientRect(), [top, bottom, left, right] = map.dataset.bounds.split(" ").map(Number);
    const x = (event.clientX - box.left) / box.width, y = (event.clientY - box.top) / box.height;
    const spot = map.querySelector(".spot");
    spot.hidden = false;
    spot.style.left = 100 * x + "%";
    spot.style.top = 100 * y + "%";
    write(document.getElementsByName(map.dataset.into)[0],
      (top + y * (bottom - top)).toFixed(6) + " " + (left + x * (right - left)).toFixed(6));
  });

  // ---- units on screen and paper ------------------------------------------------------------------------------
  document.addEventListener("change", function (event) {
    if (!event.target.dataset || !event.target.dataset.unit) return;
    const chosen = [...document.querySelectorAll("select[data-unit]")].map(list => list.value).filter(Boolean);
    document.cookie = event.target.dataset.unit + "=" + chosen.join(".") + ";path=/;SameSite=Strict;max-age=31536000";
    location.reload();
  });

  // ---- the bike file as a file of one's own -----------------------------------------------------------------
  document.addEventListener("click", async function (event) {
    const button = event.target.closest("button[data-bike]");
    if (!button) return;
    const told = await post(button.dataset.bike, values(button.closest("form")));
    if (told.message) { notice(told.message); return; }
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([told.text], { type: "application/toml" }));
    link.download = "bike.toml";
    link.click();
    URL.revokeObjectURL(link.href);
  });
})();
