import path from 'node:path'
import { fileURLToPath, pathToFileURL } from 'node:url'

/**
 * Where the entry of a thread lies. Threads load compiled files: seen from a source file (tests run those) it is the
 * twin below dist/, which the build that precedes every test run has made.
 */
export function threadUrl(importMetaUrl: string, relative: string): URL {
  if (!importMetaUrl.endsWith('.ts')) return new URL(relative, importMetaUrl)
  const root = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '..', '..')
  const target = fileURLToPath(new URL(relative, importMetaUrl))
  return pathToFileURL(path.join(root, 'dist', path.relative(root, target)))
}
