"""The only script of the page: receives the parts and puts them in their places."""

__all__ = ["SCRIPT"]

SCRIPT = """
(function () {
  var address = document.body.dataset.events;
  if (!address || !window.EventSource) return;
  var source = null, heard = Date.now(), begun = 0, made = null;
  var late = document.getElementById('late'), age = document.getElementById('age');

  function alive() {
    heard = Date.now();
    if (!late.hidden) late.hidden = true;
    show_state();
  }

  function show_state() {
    var minutes = made === null ? 0 : Math.floor((Date.now() - made) / 60000);
    var text = minutes < 1 ? '' : minutes < 120 ? ', ' + minutes + ' min ago'
      : minutes < 2880 ? ', ' + Math.floor(minutes / 60) + ' h ago' : '';
    if (age.textContent !== text) age.textContent = text;
  }

  function show(parts) {
    Object.keys(parts).forEach(function (name) {
      var mark = parts[name][0], html = parts[name][1];
      if (name === 'title') {
        var box = document.createElement('textarea');
        box.innerHTML = html;
        if (document.title !== box.value) document.title = box.value;
        return;
      }
      var place = document.getElementById(name);
      if (!place || place.dataset.mark === mark) return;
      place.innerHTML = html;
      place.dataset.mark = mark;
      var section = place.closest('section');
      if (section) section.hidden = !html.trim();
    });
  }

  function connect() {
    if (source) source.close();
    begun = Date.now();
    source = new EventSource(address + location.search);
    source.addEventListener('status', function (event) {
      var news = JSON.parse(event.data);
      show(news.parts);
      made = news.age === null ? null : Date.now() - 1000 * news.age;
      alive();
    });
    source.addEventListener('tick', alive);
    source.onerror = function () { late.hidden = false; };
  }

  function check() {
    show_state();
    var silent = Date.now() - heard;
    if (silent > 40000) late.hidden = false;
    // The browser gives up after an answer that is no stream, and does not notice a line that
    // went dead: then a new one.
    if (source.readyState === 2 || (silent > 40000 && Date.now() - begun > 15000)) connect();
  }

  var first = parseFloat(document.body.dataset.age);
  if (isFinite(first)) made = heard - 1000 * first;
  connect();
  setInterval(check, 5000);
  document.addEventListener('visibilitychange', function () {
    if (!document.hidden) check();
  });
  addEventListener('pagehide', function () { source.close(); });
  addEventListener('pageshow', function (event) { if (event.persisted) connect(); });
})();
"""
"""It takes parts only from the server of the page; they are escaped there, and the content
security policy lets no script run but this one."""
