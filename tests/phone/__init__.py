"""A phone in the laboratory: a real browser in a namespace, and the page that knocks.

- `browser`  browser(): Chromium over the DevTools protocol; tabs, presses, pictures
- `page`     Phone: the knocking page as somebody uses it
- `server`   serve(): an HTTPS server for the page, with a certificate of its own
- `fixtures` a world, a browser and phones for tests
- `tools`    what the checks need from the npm registry, versions pinned by package-lock.json
"""
