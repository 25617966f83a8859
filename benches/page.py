"""What a browser says of pages: nodes, when it had read them, when it answers, how long a press takes.

Drives headless Chromium by WebDriver (W3C) with nothing but Python's own library. All times are the browser's own
(`performance`), from the start of the navigation. A page answers from the end of its last long task (50 ms and more, as the Long
Tasks API has it) after which half a second was quiet. `page.py FILE ...` looks at each file three times, in turns.
"""

import json
import subprocess
import sys
import tempfile
import urllib.request

ROUNDS = 3
READ = """
const done = arguments[0];
const tasks = [];
new PerformanceObserver((list) => tasks.push(...list.getEntries())).observe({ type: "longtask", buffered: true });
const begun = performance.now();
const look = () => {
  const last = Math.max(0, ...tasks.map((task) => task.startTime + task.duration));
  const since = Math.max(last, begun);
  if (performance.now() - since < 500) { setTimeout(look, 50); return; }
  const way = performance.getEntriesByType("navigation")[0];
  const all = document.createTreeWalker(document, NodeFilter.SHOW_ALL);
  let nodes = 1;
  while (all.nextNode()) nodes += 1;
  const paint = performance.getEntriesByName("first-contentful-paint")[0];
  done({ nodes, read: way.domInteractive, painted: paint ? paint.startTime : null,
         answers: Math.max(way.domContentLoadedEventEnd, last), long: tasks.reduce((sum, task) => sum + task.duration, 0) });
};
look();
"""
# From going to a shot in the middle of the film until it is drawn.
GO = """
const done = arguments[0];
const names = [...document.querySelectorAll("[data-name]")];
const shot = names[Math.floor(names.length / 2)];
const begun = performance.now();
location.hash = "#" + shot.id;
const look = () => {
  const drawn = shot.querySelectorAll(".ribbon").length > 0 && shot.querySelector("details").open;
  if (drawn || performance.now() - begun > 20000) requestAnimationFrame(() => done(performance.now() - begun));
  else requestAnimationFrame(look);
};
look();
"""


class Browser:
    def __init__(self):
        self.folder = tempfile.TemporaryDirectory()
        self.driver = subprocess.Popen(["chromedriver", "--port=0"], stdout=subprocess.PIPE, text=True)
        for line in self.driver.stdout:
            if "on port " in line and not line.rstrip().endswith("port 0"):
                self.port = int(line.split("on port ")[1].strip().rstrip("."))
                break
        flags = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
                 "--disable-component-update", "--disable-sync", "--window-size=1280,900",
                 f"--user-data-dir={self.folder.name}"]
        wanted = {"capabilities": {"alwaysMatch": {"goog:chromeOptions": {"args": flags}}}}
        self.path = ""
        self.path = "/session/" + self.call("/session", wanted)["sessionId"]
        self.call("/timeouts", {"script": 120000, "pageLoad": 120000})

    def call(self, path, body, method="POST"):
        asked = urllib.request.Request(f"http://localhost:{self.port}{self.path}{path}", method=method,
                                       data=json.dumps(body).encode(), headers={"Content-Type": "application/json"})
        with urllib.request.urlopen(asked) as answer:
            return json.load(answer)["value"]

    def run(self, script):
        return self.call("/execute/async", {"script": script, "args": []})

    def end(self):
        try:
            self.call("", {}, "DELETE")
        finally:
            self.driver.kill()
            self.driver.wait()


def main(files):
    seen = {file: [] for file in files}
    for _ in range(ROUNDS):
        for file in files:
            browser = Browser()
            try:
                browser.call("/url", {"url": f"file://{file}"})
                found = browser.run(READ)
                found["gone"] = browser.run(GO)
                seen[file].append(found)
            finally:
                browser.end()
    for file, all_found in seen.items():
        middle = {name: sorted(found[name] or 0 for found in all_found)[ROUNDS // 2] for name in all_found[0]}
        print(f"{file}\n{middle['nodes']:10d}  nodes")
        for name, words in [("read", "ms until it is read"), ("painted", "ms until the first words are seen"),
                            ("answers", "ms until it answers"), ("long", "ms of long tasks"),
                            ("gone", "ms from going to a shot until it is drawn")]:
            least, most = (of(found[name] or 0 for found in all_found) for of in (min, max))
            print(f"{middle[name]:10.0f}  {words} ({least:.0f} to {most:.0f})")


if __name__ == "__main__":
    main(sys.argv[1:])
