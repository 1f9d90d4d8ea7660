import { execFileSync } from 'node:child_process'
import path from 'node:path'
import { fileURLToPath } from 'node:url'

/** Worker threads load compiled files, so a test run begins with a build: what is tested is what ships. */
export default function build(): void {
  const root = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '..', '..')
  execFileSync(process.execPath, [path.join(root, 'src', 'launch.mjs'), '--build-only'], {
    cwd: root,
    stdio: 'inherit',
  })
}
