// How much is said of one list has an end, and the end is said too.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import { afterAll, expect, it } from 'vitest'
import { openScratch } from '../../src/units/import-scratch.store.js'
import { judgeFile } from '../../src/units/unit-judge.service.js'

const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-test-'))
afterAll(() => rmSync(folder, { recursive: true, force: true }))

/** Each row has two faults: neither IMEI nor model is one. */
async function judged(rows: number, findingsMax: number) {
  const file = path.join(folder, `${rows}-${findingsMax}.csv`)
  writeFileSync(file, `imei,model\n${'1,x\n'.repeat(rows)}`)
  const scratch = openScratch(`${file}.db`)
  try {
    const isReadable = await judgeFile(file, scratch, { models: new Set(), region: null }, findingsMax)
    return { isReadable, codes: [...scratch.findings('rejected')].map(({ code }) => code) }
  } finally {
    scratch.close()
  }
}

it('a list with more findings than anybody reads is given up there, and says so', async () => {
  const { isReadable, codes } = await judged(50, 20)
  expect(isReadable).toBe(false)
  expect(codes.filter((code) => code === 'findings-too-many')).toHaveLength(1)
  expect(codes.length).toBeLessThan(25)
})

it('one with as many as may be is told all of them', async () => {
  const { isReadable, codes } = await judged(10, 20)
  expect(isReadable).toBe(true)
  expect(codes).toHaveLength(20)
})
