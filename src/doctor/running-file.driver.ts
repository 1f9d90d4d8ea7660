// What a running server leaves in its data folder for the doctor: which process it is, where it listens, and the mark that
// its listeners show, so that a stranger on the same port is not taken for it. Nothing in it is secret.
import { readFileSync, rmSync, writeFileSync } from 'node:fs'
import path from 'node:path'
import { z } from 'zod'

const Place = z.object({ host: z.string(), port: z.number().int() })
const Running = z.object({
  pid: z.number().int(),
  mark: z.string(),
  startedAtMs: z.number(),
  publicAt: Place,
  officeAt: Place,
})
export type RunningServer = z.infer<typeof Running>

const fileOf = (folder: string): string => path.join(folder, 'running.json')

/** @returns removes it again. What a kill leaves behind is told from a live one by the lock of the folder. */
export function noteRunning(folder: string, server: RunningServer): () => void {
  writeFileSync(fileOf(folder), `${JSON.stringify(server)}\n`, { mode: 0o600 })
  return () => rmSync(fileOf(folder), { force: true })
}

/** null = there is none that can be read. */
export function readRunning(folder: string): RunningServer | null {
  try {
    return Running.parse(JSON.parse(readFileSync(fileOf(folder), 'utf8')))
  } catch {
    return null
  }
}
