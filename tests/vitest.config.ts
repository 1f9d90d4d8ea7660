import path from 'node:path'
import { fileURLToPath } from 'node:url'
import { defineConfig } from 'vitest/config'
import { LongestFirst } from './support/longest-first.js'

const here = path.dirname(fileURLToPath(import.meta.url))

export default defineConfig({
  root: path.dirname(here),
  test: {
    include: ['tests/**/*.test.ts'],
    globalSetup: [path.join(here, 'support', 'build.ts')],
    reporters: ['default', path.join(here, 'support', 'closing-line.ts')],
    testTimeout: 30_000,
    hookTimeout: 60_000,
    // Real servers with threads of their own run inside the tests; forks keep their signals and descriptors apart.
    pool: 'forks',
    maxWorkers: 3,
    // Of the tests of one file that may run side by side, which all start servers.
    maxConcurrency: 3,
    sequence: { sequencer: LongestFirst },
  },
})
