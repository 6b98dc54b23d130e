// The service worker of the page as a folder of static files: keeps all of it,
// so that it works with no network. VERSION and FILES are filled in when the
// folder is written.
'use strict';

const VERSION = '/*version*/';
const FILES = [/*files*/];

self.addEventListener('install', (e) => {
  e.waitUntil(caches.open('sparkscope-' + VERSION).then((c) => c.addAll(FILES.map((f) => new Request(f, { cache: 'reload' })))).then(() => self.skipWaiting()));
});

self.addEventListener('activate', (e) => {
  e.waitUntil(caches.keys().then((all) => Promise.all(all.filter((k) => k.startsWith('sparkscope-') && k !== 'sparkscope-' + VERSION).map((k) => caches.delete(k)))).then(() => self.clients.claim()));
});

self.addEventListener('fetch', (e) => {
  if (e.request.method !== 'GET' || new URL(e.request.url).origin !== self.location.origin) return;
  e.respondWith(caches.open('sparkscope-' + VERSION).then((c) => c.match(e.request, { ignoreSearch: true })).then((hit) => hit || fetch(e.request)));
});
