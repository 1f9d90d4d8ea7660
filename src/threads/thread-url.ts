// Where a worker thread's file lies. Threads load compiled JavaScript: run from TypeScript (tests), the twin in dist/ is
// taken, which the test run has built before.

/** e.g. `threadUrl(import.meta.url, './kernel-table.thread.js')`. */
export function threadUrl(importMetaUrl: string, relative: string): URL {
  const wanted = new URL(relative, importMetaUrl)
  if (!import.meta.url.endsWith('.ts')) return wanted
  const root = new URL('../../', import.meta.url) // This file is <root>/src/threads/thread-url.ts.
  return new URL(wanted.href.replace(`${root.href}src/`, `${root.href}dist/src/`))
}
