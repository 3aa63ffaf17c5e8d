// Points in the pictures of a clip: set, moved by tenths of a pixel, taken back, sent. The pictures are drawn from the film itself.
// Pixels are those of the upright picture, their centres at whole numbers. All words about what was measured come from the server.
"use strict";
(function () {
  var mark = document.getElementById("mark");
  if (!mark) { return; }
  var film = document.getElementById("film");
  var picture = document.getElementById("picture");
  var loupe = document.getElementById("loupe");
  var at = document.getElementById("at");
  var status = document.getElementById("mark-status");
  var interval = Number(mark.dataset.interval);
  var turned = Number(mark.dataset.turned);
  var size = { w: Number(mark.dataset.width), h: Number(mark.dataset.height) };
  var places = Array.prototype.map.call(mark.querySelectorAll("li[data-place]"), function (li) { return li.dataset.place; });
  var points = {};
  var undone = [];
  var times = {};
  var now = places[0];
  // the time of a picture in which nothing is marked, while it is shown
  var looking = null;
  var zoom = 1;
  var centre = { x: size.w / 2, y: size.h / 2 };
  var frames = {};
  var frame = null;
  var saved = false;

  // the picture takes the room that its shape leaves beside the points
  mark.style.setProperty("--across", size.w);
  mark.style.setProperty("--down", size.h);

  function item(place) { return mark.querySelector("li[data-place=" + place + "]"); }

  places.forEach(function (place) {
    var all = item(place).querySelectorAll("[data-time]");
    times[place] = all[all.length - 1].dataset.time;
  });

  // one seek at a time: the film's picture at a moment, upright and in full size
  var wanted = null;
  var seeking = null;
  function fetchFrame(time) {
    wanted = time;
    if (seeking !== null || film.readyState < 1) { return; }
    seeking = time;
    film.currentTime = Number(time) + interval / 4;
  }
  function arrived() {
    if (seeking === null || film.readyState < 2) { return; }
    var c = document.createElement("canvas");
    c.width = size.w;
    c.height = size.h;
    var g = c.getContext("2d");
    var side = turned === 90 || turned === 270;
    g.translate(size.w / 2, size.h / 2);
    g.rotate(turned * Math.PI / 180);
    var w = side ? size.h : size.w, h = side ? size.w : size.h;
    g.drawImage(film, -w / 2, -h / 2, w, h);
    frames[seeking] = c;
    var done = seeking;
    seeking = null;
    if (done === wanted) { frame = c; draw(); } else { show(wanted); }
  }
  film.addEventListener("seeked", arrived);
  film.addEventListener("loadeddata", function () { if (seeking === null && wanted !== null && !frames[wanted]) { fetchFrame(wanted); } });
  film.addEventListener("error", function () {
    var why = document.getElementById("film-why");
    why.textContent = "This browser cannot play this file, so its pictures cannot be marked here.";
    why.hidden = false;
  });
  film.pause();

  function show(time) {
    if (frames[time]) { frame = frames[time]; wanted = time; draw(); } else { frame = null; draw(); fetchFrame(time); }
  }

  function scale() { return picture.width / size.w * zoom; }
  // picture pixels to canvas; a pixel's centre lies half a pixel in
  function toView(p) { var s = scale(); return { x: (p.x + 0.5 - centre.x) * s + picture.width / 2, y: (p.y + 0.5 - centre.y) * s + picture.height / 2 }; }
  function toPicture(v) { var s = scale(); return { x: (v.x - picture.width / 2) / s + centre.x - 0.5, y: (v.y - picture.height / 2) / s + centre.y - 0.5 }; }
  function tenth(x) { return Math.round(x * 10) / 10; }
  function inside(p) { return { x: tenth(Math.max(-0.5, Math.min(size.w - 0.6, p.x))), y: tenth(Math.max(-0.5, Math.min(size.h - 0.6, p.y))) }; }

  function keepCentre() {
    var half = { x: size.w / zoom / 2, y: size.h / zoom / 2 };
    centre.x = Math.max(half.x, Math.min(size.w - half.x, centre.x));
    centre.y = Math.max(half.y, Math.min(size.h - half.y, centre.y));
  }

  function cross(g, v, strong) {
    g.lineWidth = strong ? 2 : 1;
    ["#000", "#ffd24a"].forEach(function (colour, i) {
      g.strokeStyle = colour;
      g.setLineDash(i ? [4, 4] : []);
      g.beginPath();
      g.moveTo(v.x - 14, v.y); g.lineTo(v.x - 3, v.y); g.moveTo(v.x + 3, v.y); g.lineTo(v.x + 14, v.y);
      g.moveTo(v.x, v.y - 14); g.lineTo(v.x, v.y - 3); g.moveTo(v.x, v.y + 3); g.lineTo(v.x, v.y + 14);
      g.stroke();
    });
    g.setLineDash([]);
  }

  function draw() {
    var across = Math.max(1, Math.round(picture.clientWidth * (window.devicePixelRatio || 1)));
    var down = Math.round(across * size.h / size.w);
    if (picture.width !== across || picture.height !== down) { picture.width = across; picture.height = down; }
    var g = picture.getContext("2d");
    g.fillStyle = "#000";
    g.fillRect(0, 0, picture.width, picture.height);
    var own = looking === null ? points[now] : null;
    if (frame) {
      keepCentre();
      g.imageSmoothingEnabled = zoom < 4;
      var corner = toView({ x: -0.5, y: -0.5 });
      g.drawImage(frame, corner.x, corner.y, size.w * scale(), size.h * scale());
      // other points of the same picture
      places.forEach(function (p) { if (looking === null && p !== now && points[p] && points[p].time === times[now]) { cross(g, toView(points[p]), false); } });
      if (own && own.time === times[now]) { cross(g, toView(own), true); }
    }
    var l = loupe.getContext("2d"), many = 8;
    l.fillStyle = "#000";
    l.fillRect(0, 0, loupe.width, loupe.height);
    if (frame && own && own.time === times[now]) {
      l.imageSmoothingEnabled = false;
      l.drawImage(frame, loupe.width / 2 - (own.x + 0.5) * many, loupe.height / 2 - (own.y + 0.5) * many, size.w * many, size.h * many);
      cross(l, { x: loupe.width / 2, y: loupe.height / 2 }, true);
    }
    at.textContent = looking !== null ? "only to look at" : own ? own.x.toFixed(1) + " across, " + own.y.toFixed(1) + " down" : "not set";
    places.forEach(function (p) {
      var li = item(p), button = li.querySelector("button[data-place]");
      button.setAttribute("aria-pressed", String(p === now && looking === null));
      li.querySelector(".mark-done").textContent = points[p] ? "✓ set" : "";
      li.querySelectorAll("button[data-time]").forEach(function (b) { b.setAttribute("aria-pressed", String(b.dataset.time === times[p])); });
    });
  }

  function put(p) {
    if (saved || looking !== null) { return; }
    undone.push({ place: now, was: points[now], time: times[now] });
    points[now] = { time: times[now], x: p.x, y: p.y };
    asked([]);
    draw();
  }
  function own() { return looking === null && points[now] && points[now].time === times[now] ? points[now] : null; }
  // without a point yet, it begins where the same thing was set in another picture, else in the middle of what is seen
  function begin() {
    var other = places.filter(function (p) { return p !== now && points[p] && p.split("_")[0] === now.split("_")[0]; })[0];
    return other ? { x: points[other].x, y: points[other].y } : { x: centre.x, y: centre.y };
  }
  function move(dx, dy) { var p = own() || begin(); put(inside({ x: p.x + dx, y: p.y + dy })); follow(); }
  function follow() {
    var p = own();
    if (!p || zoom === 1) { return; }
    var v = toView(p);
    if (v.x < 20 || v.y < 20 || v.x > picture.width - 20 || v.y > picture.height - 20) { centre = { x: p.x, y: p.y }; draw(); }
  }
  function look(time) { looking = time; zoom = 1; show(time); pressed(); }
  // which of the pictures beside is shown
  function pressed() {
    mark.querySelectorAll("button[data-look]").forEach(function (b) { b.setAttribute("aria-pressed", String(b.dataset.look === looking)); });
  }
  function go(place) { looking = null; pressed(); now = place; zoom = 1; centre = { x: size.w / 2, y: size.h / 2 }; show(times[now]); }
  function zoomTo(z, about) { zoom = Math.max(1, Math.min(16, z)); centre = { x: about.x, y: about.y }; draw(); }

  var acts = {
    in: function () { zoomTo(zoom * 2, own() || centre); },
    out: function () { zoomTo(zoom / 2, own() || centre); },
    left: function () { move(-0.5, 0); },
    right: function () { move(0.5, 0); },
    up: function () { move(0, -0.5); },
    down: function () { move(0, 0.5); },
    next: function () { go(places[(places.indexOf(now) + 1) % places.length]); },
    clear: function () { if (!saved && looking === null && points[now]) { undone.push({ place: now, was: points[now], time: times[now] }); delete points[now]; asked([]); draw(); } },
    undo: function () {
      var last = undone.pop();
      if (!last || saved) { return; }
      if (last.was) { points[last.place] = last.was; } else { delete points[last.place]; }
      times[last.place] = last.was ? last.was.time : last.time;
      asked([]);
      if (now !== last.place || looking !== null) { go(last.place); } else { show(times[now]); }
    }
  };

  // a press sets the point, dragging moves it; where there is only to look, it moves the picture. Two fingers move and enlarge it.
  var fingers = new Map();
  var grip = null;
  function place(e) {
    var box = picture.getBoundingClientRect();
    return { x: (e.clientX - box.left) * picture.width / box.width, y: (e.clientY - box.top) * picture.height / box.height };
  }
  // middle of the fingers, and how far apart they are
  function hold() {
    var all = Array.from(fingers.values()), a = all[0], b = all[all.length - 1];
    return { at: { x: (a.x + b.x) / 2, y: (a.y + b.y) / 2 }, apart: Math.max(20, Math.hypot(a.x - b.x, a.y - b.y)) };
  }
  // what lies under the fingers now stays there while they move
  function grasp() { var h = hold(); grip = { under: toPicture(h.at), apart: h.apart, zoom: zoom }; }
  picture.addEventListener("pointerdown", function (e) {
    if (e.button !== 0 || fingers.size > 1) { return; }
    fingers.set(e.pointerId, place(e));
    picture.setPointerCapture(e.pointerId);
    picture.focus();
    if (fingers.size > 1) {
      // the first of two fingers meant no point
      if (!grip) { acts.undo(); }
      grasp();
    } else if (looking !== null || saved) { grasp(); } else { put(inside(toPicture(place(e)))); }
    e.preventDefault();
  });
  picture.addEventListener("pointermove", function (e) {
    if (!fingers.has(e.pointerId)) { return; }
    fingers.set(e.pointerId, place(e));
    if (grip) {
      var h = hold();
      zoom = fingers.size > 1 ? Math.max(1, Math.min(16, grip.zoom * h.apart / grip.apart)) : zoom;
      var s = scale();
      centre = { x: grip.under.x + 0.5 - (h.at.x - picture.width / 2) / s, y: grip.under.y + 0.5 - (h.at.y - picture.height / 2) / s };
    } else if (!saved) {
      var p = inside(toPicture(place(e)));
      points[now].x = p.x;
      points[now].y = p.y;
    }
    draw();
  });
  function drop(e) {
    if (!fingers.delete(e.pointerId)) { return; }
    // the finger that stays goes on moving the picture
    if (fingers.size === 0) { grip = null; } else { grasp(); }
  }
  picture.addEventListener("pointerup", drop);
  picture.addEventListener("pointercancel", drop);
  picture.addEventListener("wheel", function (e) {
    e.preventDefault();
    zoomTo(e.deltaY < 0 ? zoom * 2 : zoom / 2, own() || toPicture(place(e)));
  }, { passive: false });

  var sure = false;
  function asked(all) {
    sure = all.length > 0;
    var list = document.getElementById("questions");
    list.replaceChildren.apply(list, all.map(function (q) { var li = document.createElement("li"); li.textContent = q; return li; }));
    document.getElementById("save").lastChild.textContent = sure ? " save as it is" : " save";
  }

  function save() {
    if (saved) { return; }
    var sent = {};
    places.forEach(function (p) { if (points[p]) { sent[p] = { time: Number(points[p].time), x: points[p].x, y: points[p].y }; } });
    status.textContent = "";
    fetch("../marks", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ owner: mark.dataset.owner, clip: mark.dataset.clip, marks: sent, sure: sure })
    }).then(function (answer) {
      if (!answer.ok) { return answer.text().then(function (why) { throw new Error(why); }); }
      return answer.json();
    }).then(function (done) {
      status.textContent = done.done;
      asked(done.questions);
      if (!done.kept) { return; }
      saved = true;
      document.getElementById("save").disabled = true;
      var table = document.getElementById("saved");
      table.hidden = false;
      document.getElementById("decide-both").hidden = false;
      done.rows.forEach(function (row) {
        var tr = document.createElement("tr");
        row.forEach(function (text, i) {
          var cell = document.createElement(i ? "td" : "th");
          if (!i) { cell.scope = "row"; }
          cell.textContent = text;
          tr.appendChild(cell);
        });
        table.tBodies[0].appendChild(tr);
      });
    }).catch(function (e) { status.textContent = "Not kept: " + e.message; });
  }

  function decide(byHand) {
    fetch("../decide", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ owner: mark.dataset.owner, clip: mark.dataset.clip, by_hand: byHand })
    }).then(function (answer) {
      if (!answer.ok) { return answer.text().then(function (why) { throw new Error(why); }); }
      return answer.json();
    }).then(function (done) {
      status.textContent = done.done;
      mark.querySelectorAll("[data-decide]").forEach(function (b) { b.hidden = (b.dataset.decide === "true") === done.by_hand; });
    }).catch(function (e) { status.textContent = "Nothing was changed: " + e.message; });
  }

  mark.addEventListener("click", function (e) {
    var button = e.target.closest("button");
    if (!button) { return; }
    if (button.id === "save") { save(); }
    else if (button.dataset.decide) { decide(button.dataset.decide === "true"); }
    else if (button.dataset.do) { acts[button.dataset.do](); }
    else if (button.dataset.place) { go(button.dataset.place); }
    else if (button.dataset.look) { look(button.dataset.look); }
    else if (button.dataset.time) { looking = null; pressed(); now = button.closest("li").dataset.place; times[now] = button.dataset.time; show(times[now]); }
  });

  document.addEventListener("keydown", function (e) {
    if (e.ctrlKey || e.metaKey) { return; }
    var step = e.altKey ? 20 : e.shiftKey ? 1 : 0.1;
    var way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    if (way) { move(way[0] * step, way[1] * step); }
    else if (!e.altKey && !e.repeat) {
      var button = mark.querySelector("button[data-key=\"" + CSS.escape(e.key === "=" ? "+" : e.key) + "\"]");
      if (!button) { return; }
      button.click();
    } else { return; }
    e.preventDefault();
    e.stopImmediatePropagation();
  }, true);

  window.addEventListener("resize", draw);
  go(now);
})();
