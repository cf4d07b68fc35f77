"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const make = (tag, text, more) => Object.assign(document.createElement(tag), text === undefined ? {} : { textContent: text }, more);
  const list = (items) => { const ul = make("ul"); ul.append(...items.map((x) => make("li", x))); return ul; };

  // The program, unpacked once from the page's own text.
  let packed;
  const program = () => {
    if (!packed) {
      const text = atob($("program").textContent.trim());
      packed = new Uint8Array(text.length);
      for (let i = 0; i < text.length; i++) packed[i] = text.charCodeAt(i);
      $("program").textContent = "";
    }
    return packed;
  };

  // What a packet says is a stranger's: a letter that turns the writing around, or that
  // nobody sees, is shown as a box.
  const hidden = /[\u0000-\u0009\u000b-\u001f\u007f-\u009f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff]/g;
  const plain = (x) => typeof x === "string" ? x.replace(hidden, "□")
    : Array.isArray(x) ? x.map(plain)
    : x && typeof x === "object" ? Object.fromEntries(Object.entries(x).map(([k, v]) => [k, plain(v)])) : x;

  let worker, running = false, file, answer, heard = new Set(), differs = false, clock, pictures = [];
  const start = () => {
    if (worker) return;
    const code = new Blob([$("worker").textContent], { type: "text/javascript" });
    const url = URL.createObjectURL(code);
    worker = new Worker(url);
    URL.revokeObjectURL(url);
    worker.onmessage = ({ data }) => {
      if (data.kind === "answer") show(plain(data.answer));
      else if (data.kind === "photo") picture(data.name, data.bytes);
      else broke(data.why);
    };
    worker.onerror = (e) => { e.preventDefault(); broke(e.message); };
    worker.postMessage({ packed: program() });
  };
  const stop = () => {
    if (worker) worker.terminate();
    worker = undefined;
    running = false;
    clearInterval(clock);
    $("busy").hidden = true;
  };

  const size = (n) => n < 1e6 ? Math.ceil(n / 1e3) + " kB" : (n / 1e6).toFixed(1) + " MB";
  const ask = () => {
    start();
    const began = Date.now();
    const tell = () => {
      const s = Math.round((Date.now() - began) / 1000);
      $("doing").textContent = "Checking " + plain(file.name) + ", " + size(file.size) + (s < 2 ? " …" : " … " + s + " seconds") +
        (s > 60 ? ". This takes longer than any honest packet should; you can stop it." : "");
    };
    clearInterval(clock);
    tell();
    clock = setInterval(tell, 1000);
    $("busy").hidden = false;
    running = true;
    worker.postMessage({ file, question: { expect: compared() ? [answer.key] : [], label: $("label").value.trim() } });
  };

  const pick = (f) => {
    if (!f) return;
    if (running) stop(); // the answer about the file before is not waited for
    file = f; answer = undefined; heard = new Set(); differs = false;
    $("label").value = ""; $("labelsays").textContent = "";
    for (const id of ["verdict", "steps", "more"]) $(id).hidden = true;
    ask();
  };

  const groups = (key) => key.replace(/^SHA256:/, "").match(/.{1,4}/g) || [];
  const compared = () => Boolean(answer && answer.key) && !differs && heard.size === groups(answer.key).length;

  const broke = (why) => {
    stop();
    verdict("bad", "The check could not be finished", "Rely on nothing in this packet until it can be checked, here or with the program on a computer. (" + String(why).slice(0, 200) + ")");
    $("steps").hidden = $("more").hidden = true;
  };

  const verdict = (kind, words, more) => {
    const box = $("verdict");
    box.className = kind;
    box.firstElementChild.textContent = words;
    box.lastElementChild.textContent = more;
    box.dataset.exit = answer ? answer.exit : "";
    box.dataset.verdict = answer ? answer.verdict : "";
    box.dataset.history = answer && answer.parts ? answer.parts.history : "";
    box.hidden = false;
  };

  const summary = () => {
    const wrong = answer.flaws.filter((f) => !f.warning);
    if (differs) return verdict("bad", "Not the shop’s key", "What you heard is not what this packet is signed with. Somebody else may have made it. Do not rely on it.");
    switch (answer.exit) {
      case 0: return verdict("good", "Whole, and signed by the key you compared", "Nothing in it was changed since it was signed. Read below what it says, and what no signature proves.");
      case 5: return verdict("good", "The history is whole, and signed by the key you compared", "The report inside the packet could not be compared with it. Read the one below instead: it is made from the history.");
      case 4: return verdict("wait", "Whole. Now find out who signed it", "Nothing was changed since it was signed. Anybody can sign, so compare the key with the shop: step 2.");
      case 3: return verdict("wait", "This page cannot read it", "It was written by a newer program. Get the newest version of this page.");
    }
    verdict("bad", "Broken: do not rely on it", wrong.length ? "What is wrong stands below." : "It holds no history that can be read.");
  };

  const show = (a) => {
    running = false;
    clearInterval(clock);
    $("busy").hidden = true;
    if (a.error) {
      if (answer) { $("labelsays").textContent = a.error.replace(/^--label: /, ""); return; }
      return broke(a.error);
    }
    const first = !answer;
    answer = a;
    summary();
    const labelFlaw = $("label").value.trim() && a.flaws.filter((f) => f.check === "earlier" || f.check === "newer" || f.check === "key" && !f.warning);
    if (labelFlaw) $("labelsays").textContent = labelFlaw.length ? "The label and this history do not belong together. See step 1." : "The label belongs to this history.";
    const readable = a.parts.history !== "broken" && a.inShort;
    $("steps").hidden = false;
    $("more").hidden = !readable;
    whole(a); who(a, readable); says(a, readable);
    $("not").hidden = !readable;
    $("not").lastElementChild.replaceChildren(list(a.notProved.map((s) => s[0].toUpperCase() + s.slice(1) + ".")));
    if (first) $("verdict").focus();
  };

  const whole = (a) => {
    const into = $("whole").lastElementChild;
    const wrong = a.flaws.filter((f) => !f.warning), told = a.flaws.filter((f) => f.warning);
    const line = (f) => f.place + ": " + f.what;
    into.replaceChildren();
    if (a.exit === 3) into.append(make("p", "Unknown: this page does not read this kind of packet yet."));
    else if (wrong.length === 0) into.append(make("p", "Yes. " + a.commits + (a.commits === 1 ? " entry" : " entries") + " in the history, and each is what was signed: nothing was added, left out or altered since."));
    else into.append(make("p", "No.", { className: "bad" }));
    if (wrong.length) into.append(list(wrong.map(line)));
    if (a.flawCount > wrong.length) into.append(make("p", "And " + (a.flawCount - wrong.length) + " more."));
    if (told.length) {
      const d = make("details");
      d.append(make("summary", "Worth knowing (" + a.remarkCount + ")"), list(told.map(line)));
      into.append(d);
    }
  };

  const spelled = (g) => [...g].map((c) => /[A-Z]/.test(c) ? "capital " + c : c === "+" ? "plus" : c === "/" ? "slash" : c).join(", ");
  const who = (a, readable) => {
    const into = $("who").lastElementChild;
    into.replaceChildren();
    $("who").hidden = !readable || !a.key;
    if ($("who").hidden) return;
    const last = a.seals[a.seals.length - 1];
    into.append(make("p", "It says it was signed for “" + (last ? last.shop : a.shop) + "”, " + (last ? "on " + last.sealed.slice(0, 10) + ", " : "") + "seal " + a.short + ". Anybody can write a name; the key is what counts."));
    if (differs) into.append(make("p", "You said that the shop’s key is another one.", { className: "bad" }));
    else if (compared()) into.append(make("p", "You compared the whole key with the shop.", { className: "good" }));
    else into.append(make("p", "Call the shop on a number that is not from the packet and not from the seller’s message. Let them read the fingerprint of their key to you, and tap each group when you hear it. Capital and small letters differ."));
    const ol = make("ol", undefined, { className: "groups" });
    groups(a.key).forEach((g, i) => {
      const b = make("button", undefined, { type: "button" });
      b.setAttribute("aria-pressed", heard.has(i));
      b.append(make("b", g), make("span", spelled(g)));
      b.onclick = () => {
        const was = compared();
        if (heard.has(i)) heard.delete(i); else heard.add(i);
        differs = false;
        b.setAttribute("aria-pressed", heard.has(i));
        if (was !== compared()) ask(); // the checker has the last word
      };
      const li = make("li");
      li.append(b);
      ol.append(li);
    });
    const no = make("button", "One of them is different", { type: "button", id: "different" });
    no.onclick = () => { differs = true; heard = new Set(); summary(); who(answer, true); $("verdict").focus(); };
    into.append(ol, no);
    const others = a.seals.filter((s) => s.key !== a.key);
    if (others.length) into.append(make("h3", "Earlier seals in it, by other keys"), list(others.map((s) => s.short + ", “" + s.shop + "”, " + s.sealed.slice(0, 10) + ", " + s.key + (s.keyChange ? ": " + s.keyChange : ""))));
    if (a.corrections && a.corrections.length) into.append(make("p", "Later corrections of what was signed earlier: " + a.corrections.length + ". Step 3 says of which."));
  };

  const fact = (f) => {
    const dd = make("dd");
    if (f.lines.length === 1) dd.textContent = f.lines[0]; else dd.append(list(f.lines));
    return [make("dt", f.label), dd];
  };
  const says = (a, readable) => {
    const into = $("says").lastElementChild;
    into.replaceChildren();
    $("says").hidden = !readable;
    if (!readable) return;
    into.append(make("p", "Made by this page from the history itself. The pages inside the packet (report.html, report.pdf) are the sender’s and were not compared: read this one instead. Words in “quotation marks” are the records’ own."));
    into.append(make("h3", a.title || "The instrument"));
    const short = make("dl"), long = make("dl"), d = make("details");
    short.append(...a.inShort.flatMap(fact));
    long.append(...a.pageOne.flatMap(fact));
    d.append(make("summary", "All of page one"), long);
    into.append(short, d);
    if (a.photos && a.photos.length) {
      const b = make("button", "Show the photographs (" + a.photos.length + ")", { type: "button", id: "photos" });
      const box = make("div", undefined, { className: "photos" });
      b.onclick = () => {
        b.remove();
        pictures.forEach(URL.revokeObjectURL);
        pictures = [];
        for (const p of a.photos) {
          const f = make("figure"), img = make("img", undefined, { alt: p.caption || p.file });
          f.dataset.file = p.file;
          f.append(img, make("figcaption", [p.caption, p.section, p.stage, p.taken].filter(Boolean).join(", ") || p.file));
          box.append(f);
          worker.postMessage({ photo: p.file });
        }
      };
      into.append(b, box);
    }
  };
  const picture = (name, bytes) => {
    for (const f of document.querySelectorAll("figure")) {
      if (f.dataset.file !== name) continue;
      if (!bytes) { f.lastElementChild.textContent += " (the picture cannot be read)"; continue; }
      const url = URL.createObjectURL(new Blob([bytes], { type: /\.png$/i.test(name) ? "image/png" : "image/jpeg" }));
      pictures.push(url);
      f.firstElementChild.src = url;
    }
  };

  $("file").onchange = (e) => { pick(e.target.files[0]); e.target.value = ""; };
  $("cancel").onclick = () => { stop(); if (!answer) verdict("wait", "Stopped", "Nothing was checked. Choose the packet again to start anew."); };
  for (const kind of ["dragover", "dragleave", "drop"]) {
    addEventListener(kind, (e) => {
      e.preventDefault();
      $("pick").classList.toggle("over", kind === "dragover");
      if (kind === "drop" && e.dataTransfer.files.length) pick(e.dataTransfer.files[0]);
    });
  }
  $("compare").onclick = () => { if ($("label").value.trim()) ask(); else $("labelsays").textContent = "Type what the code says; it begins with benchlore:1:"; };

  // The camera, where the browser reads codes by itself.
  if ("BarcodeDetector" in globalThis && navigator.mediaDevices) $("camera").hidden = false;
  $("camera").onclick = async () => {
    const view = $("view");
    try {
      const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
      const reader = new BarcodeDetector({ formats: ["qr_code"] });
      view.srcObject = stream;
      view.hidden = false;
      await view.play();
      const end = () => { stream.getTracks().forEach((t) => t.stop()); view.hidden = true; };
      for (const until = Date.now() + 60000; Date.now() < until;) {
        const found = (await reader.detect(view)).find((c) => c.rawValue.startsWith("benchlore:"));
        if (found) { end(); $("label").value = found.rawValue; ask(); return; }
        await new Promise((r) => setTimeout(r, 250));
      }
      end();
      $("labelsays").textContent = "No code was seen in a minute. Hold the camera closer, or type what the code says.";
    } catch (e) {
      view.hidden = true;
      $("labelsays").textContent = "The camera cannot be used here (" + e.message + "). Type what the code says.";
    }
  };

  // Served over https, the page can be kept for use without a network.
  if (location.protocol === "https:" && "serviceWorker" in navigator) {
    navigator.serviceWorker.register("verdict-offline.js").then(() => navigator.serviceWorker.ready)
      .then((r) => r.active.postMessage(location.href.split("#")[0])).catch(() => {});
  }
})();
