// The film frame by frame, and verdicts by key. All words come from the server.
"use strict";
// The answer to a student: made on request, looked at here.
(function () {
  var place = document.getElementById("answer");
  if (!place) { return; }
  var make = document.getElementById("answer-make");
  var status = document.getElementById("answer-status");
  var films = document.getElementById("answer-films");
  var names = { "swing.mp4": "The swing", "then-and-now.mp4": "Then and now" };

  function element(name, text) {
    var e = document.createElement(name);
    if (text) { e.textContent = text; }
    return e;
  }

  function show(there, fresh) {
    films.textContent = "";
    var day = there.days[0];
    if (!day) { return; }
    films.append(element("p", "Answer of " + day.day + ", in " + day.folder + ": answer.html holds all of it."));
    Object.keys(names).filter(function (n) { return day.files.indexOf(n) >= 0; }).forEach(function (n) {
      var figure = element("figure"), film = element("video");
      film.controls = film.muted = film.playsInline = true;
      film.preload = "metadata";
      film.setAttribute("aria-label", names[n]);
      // what was made anew has the same address
      film.src = "/answers/" + place.dataset.owner + "/" + day.day + "/" + n + (fresh ? "?" + Date.now() : "");
      figure.append(film, element("figcaption", names[n]));
      films.append(figure);
    });
  }

  function answered(answer) {
    if (!answer.ok) { return answer.text().then(function (why) { throw new Error(why); }); }
    return answer.json();
  }

  make.addEventListener("click", function () {
    make.disabled = true;
    status.textContent = "Being made: some seconds\u2026";
    var body = JSON.stringify({ owner: place.dataset.owner, note: document.getElementById("draft").value });
    fetch("/answer", { method: "POST", headers: { "Content-Type": "application/json" }, body: body })
      .then(answered)
      .then(function (there) { status.textContent = there.done; show(there, true); })
      .catch(function (e) { status.textContent = "Not made: " + e.message; })
      .then(function () { make.disabled = false; });
  });
  fetch("/answers/" + place.dataset.owner).then(answered).then(show).catch(function () {});
})();

(function () {
  var desk = document.getElementById("desk");
  if (!desk) { return; }
  var film = document.getElementById("film");
  var clock = document.getElementById("clock");
  var note = document.getElementById("note");
  var status = document.getElementById("desk-status");

  // the frames of the swings with their true times; between and beyond them the usual step
  var interval = Number(desk.dataset.interval);
  var frames = desk.dataset.times.split(",").filter(Boolean).map(function (pair) {
    var both = pair.split(":");
    return { frame: Number(both[0]), time: Number(both[1]) };
  });
  var shown = 0;

  function nearest(time) {
    var best = null;
    frames.forEach(function (f) { if (!best || Math.abs(f.time - time) < Math.abs(best.time - time)) { best = f; } });
    return best && Math.abs(best.time - time) <= interval / 2 ? best : null;
  }

  function tell(time) {
    shown = time;
    var at = nearest(time);
    clock.textContent = time.toFixed(3) + " s, frame " + (at ? at.frame : "about " + Math.round(time / interval));
  }

  function seek(time) {
    film.pause();
    var end = isFinite(film.duration) ? film.duration - interval / 2 : time;
    var to = Math.max(0, Math.min(time, end));
    // a little into the frame: a rounded time would show the one before
    film.currentTime = to + interval / 4;
    tell(to);
  }

  function step(by) {
    var at = nearest(shown);
    var next = at && frames[frames.indexOf(at) + by];
    seek(next && Math.abs(next.frame - at.frame) === 1 ? next.time : shown + by * interval);
  }

  function play() { if (film.paused) { film.play(); } else { film.pause(); } }

  if (film) {
    var turned = film.closest(".turned");
    if (turned) {
      // the shape of the standing picture; the browser's own controls would lie on their side, so the film itself is the button
      var shape = (turned.dataset.shape || "9/16").split("/");
      turned.style.setProperty("--across", shape[0]);
      turned.style.setProperty("--down", shape[1]);
      film.addEventListener("click", play);
    }
    if (film.requestVideoFrameCallback) {
      var watch = function (_, about) {
        if (!film.paused || Math.abs(about.mediaTime - shown) < interval) { tell(about.mediaTime); }
        film.requestVideoFrameCallback(watch);
      };
      film.requestVideoFrameCallback(watch);
    } else {
      film.addEventListener("timeupdate", function () { if (!film.paused) { tell(film.currentTime); } });
    }
    film.addEventListener("error", function () {
      var why = document.getElementById("film-why");
      why.textContent = "This browser cannot play this file. The key pictures below show the same moments.";
      why.hidden = false;
    });
    tell(0);
  }

  function pace(button) {
    film.playbackRate = Number(button.dataset.rate);
    desk.querySelectorAll("[data-rate]").forEach(function (b) { b.setAttribute("aria-pressed", String(b === button)); });
  }

  // our verdict on a fault as it stands now
  function show(row, ours) {
    if (row.dataset.shown === ours.shown) { return; }
    row.dataset.shown = ours.shown;
    row.querySelector(".verdict").className = "verdict " + ours.sign;
    row.querySelector(".sign use").setAttribute("href", "#s-" + ours.sign);
    var words = row.querySelector(".desk-ours");
    row.querySelectorAll("[data-agrees]").forEach(function (button) {
      var label = button.getAttribute("aria-label");
      button.setAttribute("aria-label", label.slice(0, label.length - words.textContent.length) + ours.words);
    });
    words.textContent = ours.words;
  }

  function send(to, body) {
    status.textContent = "";
    body.owner = desk.dataset.owner;
    body.clip = desk.dataset.clip;
    return fetch(to, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) })
      .then(function (answer) {
        // 409: our verdict is another by now, and nothing was kept
        if (!answer.ok && answer.status !== 409) { return answer.text().then(function (why) { throw new Error(why); }); }
        return answer.json();
      })
      .then(function (now) {
        Object.keys(now.said).forEach(function (fault) {
          var row = desk.querySelector("[data-fault=" + fault + "]");
          // what this view does not show has no row
          if (!row) { return; }
          row.querySelector(".desk-said").textContent = now.said[fault];
          show(row, now.ours[fault]);
          row.querySelectorAll("[data-agrees]").forEach(function (button) {
            button.setAttribute("aria-pressed", String(button.dataset.agrees === String(now.agrees[fault])));
          });
        });
        status.textContent = now.done;
        if (now.note && !note.value) { note.value = now.note; }
        return now.kept;
      })
      .catch(function (e) { status.textContent = "Not kept: " + e.message; return false; });
  }

  desk.addEventListener("click", function (e) {
    var button = e.target.closest("button");
    if (!button) { return; }
    if (button.hasAttribute("data-play")) { play(); }
    if (button.dataset.step) { step(Number(button.dataset.step)); }
    if (button.dataset.time) { seek(Number(button.dataset.time)); }
    if (button.dataset.rate) { pace(button); }
    if (button.id === "undo") { send("/undo", {}); }
    if (button.dataset.agrees) {
      var words = note.value;
      var row = button.closest("[data-fault]");
      // what is judged is seen, whatever key was pressed
      row.scrollIntoView({ block: "nearest" });
      send("/verdict", { fault: row.dataset.fault, shown: row.dataset.shown, agrees: button.dataset.agrees === "true", note: words })
        .then(function (kept) { if (kept && note.value === words) { note.value = ""; } });
    }
  });

  document.addEventListener("keydown", function (e) {
    if (e.ctrlKey || e.metaKey || e.altKey) { return; }
    if (note && e.target === note) {
      if (e.key === "Escape") { note.blur(); }
      return;
    }
    if (/^(INPUT|SELECT|TEXTAREA)$/.test(e.target.tagName)) { return; }
    var digit = /^(Digit|Numpad)([1-3])$/.exec(e.code);
    var key = digit ? digit[2] : e.key;
    var button = desk.querySelector("button[data-key=\"" + CSS.escape(key) + "\"]");
    if (button && !e.repeat) { button.click(); }
    else if (note && key === "n") { note.focus(); }
    else if (film && (key === "," || key === "ArrowLeft")) { step(-1); }
    else if (film && (key === "." || key === "ArrowRight")) { step(1); }
    else if (film && key === " " && e.target.tagName !== "BUTTON") { play(); }
    else { return; }
    e.preventDefault();
  });
})();
