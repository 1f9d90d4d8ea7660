import path from 'node:path'
import { fileURLToPath } from 'node:url'
import { defineConfig } from 'vitest/config'

const here = path.dirname(fileURLToPath(import.meta.url))

/** Measurements: run one by name, `npm run bench -- NAME`. They print figures and fail where a bar is missed. */
export default defineConfig({
  root: path.resolve(here, '..', '..'),
  test: {
    include: ['tests/bench/*.bench.ts'],
    globalSetup: [path.join(here, '..', 'support', 'build.ts')],
    reporters: ['default'],
    testTimeout: 15 * 60_000,
    hookTimeout: 5 * 60_000,
    pool: 'forks',
    fileParallelism: false,
  },
})
