import type { Reporter, TestModule } from 'vitest/node'

/** Prints 'N passed, N failed' alone on the last line. A file that cannot load and an unhandled error count as failed. */
export default class ClosingLine implements Reporter {
  onTestRunEnd(modules: readonly TestModule[], unhandled: readonly unknown[]): void {
    const count = { passed: 0, failed: unhandled.length, skipped: 0 }
    for (const module of modules) {
      let tests = 0
      for (const test of module.children.allTests()) {
        tests += 1
        const { state } = test.result()
        count[state === 'passed' || state === 'failed' ? state : 'skipped'] += 1
      }
      if (tests === 0 && !module.ok()) count.failed += 1
    }
    const skipped = count.skipped > 0 ? `, ${count.skipped} skipped` : ''
    process.once('exit', () => process.stdout.write(`\n${count.passed} passed, ${count.failed} failed${skipped}\n`))
  }
}
