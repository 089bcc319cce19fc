// The station page. Every scan gets a number and lies on this device's disk until the server
// has answered it; a scan that is sent twice is taken once.
(function () {
  "use strict";

  var sound = window.sound;
  var state = JSON.parse(document.getElementById("state").value);
  var words = state.words;
  var MOST = 50; // scans in one call
  var PATIENCE = 8000; // a dispatch waits some seconds for what other stations did
  var LOOK_EVERY = 10000; // so that it is known before the next scan whether the dairy can be reached
  var SKEW = "wheelward.skew";
  var SET = "wheelward.action " + state.station; // as this page has it, across a reload out of reach
  var USED = "wheelward.used " + state.station;
  // What may leave depends on every hold, and what ends a hold on who is there: asked, or not done.
  var ASKED = /^(DISPATCH|RELEASE)$/;
  var there = window.there(state.station);
  var outbox = null;
  var ready = window.Outbox.open(state.station).then(function (opened) {
    outbox = opened;
    return window.Signer.begin(outbox, state.scans);
  });
  var queue = []; // as it lies in the outbox
  var adding = []; // on their way there
  var least = state.next_seq;
  var recorded = state.latest.slice().reverse();
  var sending = null;
  var more = false;
  var wait = 0;
  var timer = 0;
  var online = true;
  var receipts = window.receipts(words, state.zone, fill, undo);
  var elsewhere = false; // another window is the station
  var lapsed = null; // whose session ended amid scans: what they scan meanwhile is still theirs
  var LAPSED_FOR = 60000;
  // How far this tablet's clock is behind the floor's, in milliseconds. A page that was kept
  // tells an old time, so what was measured last counts more.
  var skew = Number(localStorage.getItem(SKEW) || Date.parse(state.now) - Date.now());
  if (state.scans) { state.scans.began = Date.parse(state.now) - state.scans.lasted_s * 1000; }

  function by(id) { return document.getElementById(id); }
  function fill(text, values) {
    return text.replace(/\{(\w+)\}/g, function (_, name) { return values[name]; });
  }
  function now() { return Date.now() + skew; }
  function ask(path, options) {
    var gone = new AbortController();
    var late = setTimeout(function () { gone.abort(); }, PATIENCE);
    options = options || {};
    options.signal = gone.signal;
    options.cache = "no-store";
    options.headers = { "Content-Type": "application/json", "X-Wheelward-Token": state.token || "" };
    var asked = Date.now();
    return fetch(path, options).then(function (response) {
      return response.json().then(function (body) {
        clearTimeout(late);
        if (body.now) { measure(Date.parse(body.now), asked, Date.now()); }
        return { ok: response.ok, body: body };
      });
    });
  }
  // The answer was given somewhere between question and arrival.
  function measure(floor, asked, heard) {
    if (heard - asked > 2000) { return; }
    skew = Math.round(floor - (asked + heard) / 2);
    localStorage.setItem(SKEW, skew);
  }

  // --- who, and what is set ---------------------------------------------------------------

  function set(action) {
    state.action = action || null;
    localStorage.setItem(SET, state.action || "");
  }
  function card(scan) {
    var begins = /^A\.(\w+)$/i.exec(scan.line || "");
    var action = begins && begins[1].toUpperCase();
    return action && action !== "UNDO" && state.actions[action] ? action : null;
  }
  // The action that is set once what waits was answered, if the server has this one now.
  function believed(action) {
    queue.concat(adding).forEach(function (scan) {
      if (card(scan)) { action = scan.withdrawn ? null : card(scan); }
    });
    return action;
  }
  // Nobody scans in the name of who stood here before: another badge, a shift that is over.
  function leave(badge, text) {
    there.leaves(state.scans);
    state.person = null;
    state.name = null;
    lapsed = null;
    set(null);
    draw();
    askPin(badge, text);
  }
  // Out of reach nobody else can say that a session is over.
  function isOver() {
    var scans = state.scans;
    var used = Number(localStorage.getItem(USED)) || now();
    return !online && state.person && scans && (now() > scans.began + scans.longest_s * 1000 || now() > used + scans.idle_s * 1000);
  }

  // --- scanning -------------------------------------------------------------------------

  function scan(line) {
    line = line.replace(/^[\s\u0000-\u001f]+|[\s\u0000-\u001f]+$/g, "").slice(0, 512);
    if (!line || elsewhere) { return; }
    if (isOver()) { leave(null, words["station-over"]); sound("wrong"); return; }
    var badge = /^p\.(.+)$/i.exec(line);
    var action = card({ line: line });
    var asks = ASKED.test(action || (badge || /^A\./i.test(line) ? "" : state.action || ""));
    if (asks && !online) { refuse(line, action); look(); return; }
    if (asks && !state.person) { askPin(null, words["station-sign-in"]); sound("wrong"); return; }
    var added = add({ line: line, asks: asks });
    if (added && action) { set(action); draw(); }
    if (badge && state.person && badge[1].toUpperCase() !== state.person.toUpperCase()) { leave(badge[1], online ? "" : words["station-offline-pin"]); }
  }
  // It is kept, as refused, where everyone finds it later; never to be done.
  function refuse(line, action) {
    if (action) { set(null); }
    if (state.person) { add({ line: line, withdrawn: true }); }
    show("wrong", words["station-offline-asked"], fill(words["station-given-up"], { line: line }));
    draw();
  }
  function undo(seq) { add({ undoes: seq }); }
  function add(scan) {
    var person = state.person || (amid() && lapsed.person);
    if (!person) { askPin(null, words["station-sign-in"]); sound("wrong"); return false; }
    scan.occurred_at = new Date(now()).toISOString();
    scan.person = person;
    scan.session = state.scans ? state.scans.session : undefined;
    scan.skew_ms = skew;
    if (scan.line && !/^[AP]\./i.test(scan.line)) { scan.action = state.action || ""; }
    localStorage.setItem(USED, now());
    adding.push(scan);
    ready = ready.then(function () { return outbox.add(scan, least); })
      .then(function () { return window.Signer.sign(outbox, scan); })
      .then(function () {
        adding.splice(adding.indexOf(scan), 1);
        queue.push(scan);
        if (!scan.withdrawn && (!online || !state.person)) { show("wait", fill(words["station-kept"], { n: kept() }), scan.line || ""); }
        draw();
        drain();
      }, function () {
        adding.splice(adding.indexOf(scan), 1);
        show("wrong", words["station-no-disk"], scan.line || "");
      });
    return true;
  }

  function isWork(line) { return /^\w\./.test(line) && !/^p\./i.test(line); }
  function amid() { return lapsed && Date.now() - lapsed.at < LAPSED_FOR; }
  function kept() { return queue.filter(function (scan) { return !scan.withdrawn; }).length; } // and are to be done

  // --- sending --------------------------------------------------------------------------

  function again() {
    wait = Math.min(wait ? wait * 2 : 1000, 15000);
    clearTimeout(timer);
    timer = setTimeout(drain, wait);
  }
  // Sends what waits, in order. What was answered, be it refused, is never sent again.
  function drain() {
    if (sending) { more = true; return sending; }
    if (elsewhere) { return Promise.resolve(); }
    more = false;
    sending = outbox.all().then(function (all) {
      queue = all;
      if (!queue.length) { return; }
      if (!state.token) { askPin(null, words["station-sign-in"]); return; }
      var batch = queue.slice(0, MOST);
      return ask("/api/v1/station/scan", { method: "POST", body: JSON.stringify(batch.map(bare)) })
        .then(function (answer) {
          reached();
          return answer.ok ? take(answer.body) : refused(answer.body, batch[0]);
        }, function () { return unanswered(); });
    }).then(function () {
      sending = null;
      draw();
      if (more) { return drain(); }
    }, function () { sending = null; again(); });
    return sending;
  }
  // What the server is told of a scan.
  function bare(scan) {
    return {
      station: scan.station, seq: scan.seq, occurred_at: scan.occurred_at, line: scan.line,
      undoes: scan.undoes, person: scan.person, action: scan.action, session: scan.session,
      signature: scan.signature, withdrawn: scan.withdrawn, skew_ms: scan.skew_ms
    };
  }
  function reached() {
    online = true;
    wait = 0;
  }
  // A dispatch that nobody answered must not happen later: it is given up. If it was taken all
  // the same, that is told once it is known.
  function unanswered() {
    var was = online;
    online = false;
    again();
    var open = queue.filter(mustAsk);
    if (!open.length) {
      if (was && kept()) { show("wait", fill(words["station-kept"], { n: kept() }), words["station-offline"]); }
      return;
    }
    var last = open[open.length - 1];
    show("wrong", words["station-unanswered"], fill(words["station-given-up"], { line: last.line || "" }));
    return giveUp(open);
  }
  function mustAsk(scan) { return scan.asks && !scan.withdrawn; }
  function giveUp(open) {
    if (open.some(card)) { set(null); }
    return Promise.all(open.map(function (scan) {
      scan.withdrawn = true;
      return outbox.change(scan);
    }));
  }
  function take(body) {
    least = body.next_seq;
    var taken = body.results.filter(function (result) { return result.taken; });
    var trouble = body.results.filter(function (result) { return !result.taken; })[0];
    var up = queue.filter(function (scan) { return scan.withdrawn; }).map(function (scan) { return scan.seq; });
    return outbox.forget(taken.map(function (result) { return result.seq; })).then(function () {
      queue = queue.filter(function (scan) {
        return !taken.some(function (result) { return result.seq === scan.seq; });
      });
      set(believed(state.person ? body.action : null));
      taken.forEach(function (result) { heard(result.receipt, up.indexOf(result.seq) >= 0); });
      if (trouble) { return refused(trouble.trouble, queue[0]); }
      if (queue.length) { more = true; }
    });
  }
  // The call was not taken. Only what was not answered for good is sent again.
  function refused(trouble, first) {
    if (trouble.code === "sign_in") {
      if (state.person) { lapsed = { person: state.person, at: Date.now() }; }
      state.person = null;
      state.token = null;
      askPin(null, trouble.words);
      return giveUp(queue.filter(mustAsk));
    }
    if (trouble.code === "token") { location.reload(); return; }
    if (trouble.code === "seq_used" || trouble.code === "seq_gap") {
      return ask("/api/v1/station").then(function (answer) {
        least = answer.body.next_seq;
        more = true;
        return outbox.renumber(least);
      }).then(function () { return outbox.all(); }).then(function (all) {
        return Promise.all(all.map(function (scan) { return window.Signer.sign(outbox, scan); }));
      });
    }
    if (!trouble.keep && first) {
      // Sending it again could never help. It is said, and not sent any more.
      show("wrong", trouble.words, fill(words["station-given-up"], { line: first.line || "" }));
      more = true;
      return outbox.forget([first.seq]);
    }
    show("wrong", trouble.words, fill(words["station-waiting"], { n: kept() }));
    again();
    return giveUp(queue.filter(mustAsk));
  }
  // Whether the dairy can be reached, what time it is there, and which number is free.
  function look() {
    if (sending || document.hidden || elsewhere) { return; }
    ask("/api/v1/station").then(function (answer) {
      if (!answer.ok) { return; }
      var back = !online;
      reached();
      least = answer.body.next_seq;
      if (state.person) { set(believed(answer.body.action)); }
      if (state.person && !answer.body.person) { state.person = null; state.token = null; askPin(null, words["station-sign-in"]); }
      draw();
      if (back || queue.length) { drain(); }
    }).catch(function () { online = false; draw(); });
  }

  // --- showing --------------------------------------------------------------------------

  function heard(receipt, quiet) {
    recorded.push(receipt);
    if (recorded.length > 30) { recorded.shift(); }
    if (receipt.undoes !== null && receipt.facts.length) {
      recorded.forEach(function (old) { if (old.seq === receipt.undoes) { old.undone = true; } });
    }
    if (quiet && !receipt.facts.length) { return; }
    var shown = by("pin").open && by("pin-badge").value === receipt.asks_pin_of;
    if (receipt.asks_pin_of && receipt.asks_pin_of !== state.person && !shown) { askPin(receipt.asks_pin_of, ""); }
    show(receipt.level, quiet ? fill(words["station-done-after-all"], { words: receipt.words }) : receipt.words, receipts.touched(receipt));
    if (receipt.level === "stop") { stop(receipt); }
  }
  function show(level, text, detail) {
    var box = by("answer");
    box.setAttribute("data-level", level);
    box.setAttribute("data-said", Number(box.getAttribute("data-said")) + 1);
    by("level").textContent = words["level-" + level] || "";
    by("words").textContent = text;
    by("words").lang = "en";
    by("detail").textContent = detail || "";
    box.classList.remove("flash");
    void box.offsetWidth; // so that the same answer twice is seen twice
    box.classList.add("flash");
    sound(level);
  }
  function draw() {
    by("action").textContent = state.action ? state.actions[state.action] || state.action : words["station-no-action"];
    by("person-name").textContent = state.name || words["station-person-none"];
    receipts.draw(by("recorded"), recorded, queue, state.person, now());
    link();
  }
  function link() {
    var text = kept() ? fill(words["station-waiting"], { n: kept() }) : words["station-sent"];
    if (!online) { text = words["station-offline"] + " · " + text; }
    by("link").textContent = text;
    by("link").className = "link" + (online ? (kept() ? " busy" : "") : " off");
  }

  // --- dialogs --------------------------------------------------------------------------

  function open(id) {
    if (!by(id).open) { by(id).showModal(); }
  }
  function stop(receipt) {
    by("stop-words").textContent = receipt.words;
    by("stop-words").lang = "en";
    // The station's own words are English; what to do is said in the reader's language too.
    if (document.documentElement.lang !== "en") {
      by("stop-do").textContent = words[receipt.facts.length ? "station-stop-gone" : "station-stop-kept"];
    }
    open("stop");
  }
  by("stop-seen").addEventListener("click", function () { by("stop").close(); });
  by("stop").addEventListener("cancel", function (event) { event.preventDefault(); });
  by("current").addEventListener("click", function () { open("chooser"); });
  by("numbers").addEventListener("click", function () { by("number").textContent = ""; open("pad"); });
  by("person").addEventListener("click", function () { askPin(null, ""); });
  document.addEventListener("click", function (event) {
    var key = event.target.closest("[data-line],[data-close],[data-digit],[data-pin]");
    if (!key) { return; }
    if (key.hasAttribute("data-close")) { key.closest("dialog").close(); }
    if (key.hasAttribute("data-line")) { key.closest("dialog").close(); scan(key.getAttribute("data-line")); }
    if (key.hasAttribute("data-digit")) {
      by("number").textContent = typed(by("number").textContent, key.getAttribute("data-digit"));
    }
    if (key.hasAttribute("data-pin")) {
      by("pin-digits").value = typed(by("pin-digits").value, key.getAttribute("data-pin"));
    }
  });
  function typed(text, key) { return key === "⌫" ? text.slice(0, -1) : (text + key).slice(0, 12); }
  by("number-take").addEventListener("click", function () {
    var text = by("number").textContent;
    by("pad").close();
    if (text) { scan("N." + text); }
  });

  // --- badge and PIN --------------------------------------------------------------------

  function askPin(badge, text) {
    if (by("pin").open && !badge) { return; }
    by("pin-words").textContent = text;
    if (badge) { by("pin-badge").value = badge; }
    by("pin-title").textContent = badge ? fill(words["station-pin-for"], { badge: badge }) : words["station-sign-in"];
    by("pin-digits").value = "";
    open("pin");
    (by("pin-badge").value ? by("pin-digits") : by("pin-badge")).focus();
  }
  // What waits is sent first, while the session in which it was scanned still lasts.
  function sendFirst() {
    var waits = queue.length;
    if (!waits || !online || !state.token) { return Promise.resolve(); }
    return drain().then(function () { return queue.length < waits ? sendFirst() : null; });
  }
  function signIn() {
    var typed = JSON.stringify({ badge: by("pin-badge").value, pin: by("pin-digits").value });
    ready.then(sendFirst).then(function () {
      return ask("/api/v1/session", { method: "POST", body: typed });
    }).then(function (answer) {
      by("pin-digits").value = "";
      if (!answer.ok) {
        if (answer.body.code === "token") { location.reload(); return; }
        by("pin-words").textContent = answer.body.words;
        sound("wrong");
        return;
      }
      state.person = answer.body.badge;
      state.name = answer.body.name;
      state.token = answer.body.token;
      state.scans = answer.body.scans;
      if (state.scans) { state.scans.began = now() - state.scans.lasted_s * 1000; }
      there.comes(state.scans);
      localStorage.setItem(USED, now());
      ready = ready.then(function () { return window.Signer.begin(outbox, state.scans); });
      lapsed = null;
      by("pin").close();
      // The keys shown depend on who stands here, once nothing waits to be sent.
      if (!queue.length) { location.reload(); return; }
      draw();
      drain();
      keepThis();
    }).catch(function () { by("pin-words").textContent = words["station-offline-pin"]; });
  }
  // The page that is kept for times out of reach bears whoever stands here.
  function keepThis() { fetch("/station").catch(function () { /* when it is next opened */ }); }
  by("pin-go").addEventListener("click", signIn);
  by("pin").addEventListener("keydown", function (event) {
    if (event.key !== "Enter" || event.defaultPrevented) { return; } // a scan, and taken as one
    event.preventDefault();
    if (amid() && isWork(event.target.value || "")) { // the scanner types where the badge is asked for
      var line = event.target.value;
      event.target.value = "";
      scan(line);
    } else if (event.target === by("pin-badge")) {
      by("pin-badge").value = by("pin-badge").value.replace(/^p\./i, "");
      by("pin-digits").focus();
    } else if (/^p\./i.test(by("pin-digits").value)) {
      by("pin-badge").value = by("pin-digits").value.slice(2); // a badge scanned into the PIN
      by("pin-digits").value = "";
    } else if (event.target.tagName !== "BUTTON") { signIn(); } else { event.target.click(); }
  });

  // --- the scanner types: whatever has the focus, every key goes into the one field ---------

  var field = by("scan");
  window.wedge(field, scanned);
  function scanned(line) {
    if (by("stop").open) { sound("stop"); return; } // STOP is looked at first
    if (by("pin").open && amid() && isWork(line)) { scan(line); return; }
    if (by("pin").open) { by("pin-badge").value = line.replace(/^p\./i, ""); by("pin-digits").focus(); return; }
    ["chooser", "pad", "lens"].forEach(function (id) { if (by(id).open) { by(id).close(); } });
    scan(line);
  }
  function refocus() {
    if (!document.querySelector("dialog[open]")) { field.focus({ preventScroll: true }); }
  }
  document.addEventListener("pointerup", function (event) {
    if (!event.target.closest("button,a,dialog,input,summary")) { refocus(); }
  });
  Array.prototype.forEach.call(document.querySelectorAll("dialog"), function (dialog) {
    dialog.addEventListener("close", refocus);
  });
  document.addEventListener("visibilitychange", function () { if (!document.hidden) { refocus(); look(); } });

  // --- the camera -----------------------------------------------------------------------

  if (navigator.mediaDevices && navigator.mediaDevices.getUserMedia) {
    by("camera").hidden = false;
    by("camera").addEventListener("click", function () {
      by("lens-words").textContent = words["station-camera-starts"];
      open("lens");
      var looking = window.Camera.look(by("video"), function (line) {
        by("lens").close();
        scan(line);
      }, function (what) {
        if (what === "aim") { by("lens-words").textContent = words["station-camera-aim"]; return; }
        by("lens").close();
        show("wrong", words["station-camera-" + what], "");
      });
      by("lens").addEventListener("close", looking.stop, { once: true });
    });
  }

  var goOnHere = window.oneTab(state.station, function () {
    elsewhere = true;
    open("elsewhere");
  });
  by("elsewhere").addEventListener("cancel", function (event) { event.preventDefault(); });
  by("go-on-here").addEventListener("click", goOnHere);

  // A page that was kept knows neither who has left nor what was set since.
  var isOld = Math.abs(now() - Date.parse(state.now)) > 60000;
  if (isOld && localStorage.getItem(SET) !== null) { state.action = localStorage.getItem(SET) || null; }
  if (state.person && state.scans && !there.stands(state.scans)) {
    state.person = null;
    state.name = null;
    state.action = null;
  }
  window.addEventListener("online", look);
  window.addEventListener("offline", function () { online = false; draw(); });
  if (!state.person) { show("next", words["station-sign-in"], ""); askPin(null, ""); }
  else { show("idle", state.action ? words["station-ready"] : words["station-scan-first"], ""); refocus(); }
  by("words").removeAttribute("lang");
  if (navigator.storage && navigator.storage.persist) { navigator.storage.persist(); }
  if (navigator.serviceWorker) {
    // One that begins while this page is open has kept another's page, or none.
    navigator.serviceWorker.addEventListener("controllerchange", keepThis);
    navigator.serviceWorker.register("/assets/offline.js", { scope: "/" }).catch(function () {
      by("detail").textContent = words["station-no-worker"];
    });
  } else { by("detail").textContent = words["station-no-worker"]; }
  draw();
  ready = ready.then(function () { return outbox.all(); }).then(function (all) {
    queue = all;
    if (queue.length && localStorage.getItem(SET) !== null) { state.action = localStorage.getItem(SET) || null; }
    return giveUp(queue.filter(mustAsk));
  });
  ready.then(function () {
    draw();
    look();
    drain();
    setInterval(look, LOOK_EVERY);
  }).catch(function () { show("wrong", words["station-no-disk"], ""); });
})();
