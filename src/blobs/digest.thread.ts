// Entry of the thread that takes the digests of uploads: 3 to 4 ms of work for each MiB, which the thread that answers the
// office cannot spare. Touches nothing but the bytes, which lie in memory that both threads see.
import { parentPort } from 'node:worker_threads'
import { type FileDigests, StreamDigests } from './digests.js'

export interface DigestQuestion {
  /** Of the question: they are answered in their order, those of several uploads as they come. */
  id: number
  upload: number
  step: { update: Uint8Array; sha512: boolean } | 'finish' | 'drop'
}

export interface DigestAnswer {
  id: number
  /** Of a finished upload. */
  digests: FileDigests | null
}

const open = new Map<number, StreamDigests>()

function answer({ upload, step }: DigestQuestion): FileDigests | null {
  if (typeof step === 'object') {
    const digests = open.get(upload) ?? new StreamDigests({ sha512: step.sha512 })
    open.set(upload, digests)
    digests.update(step.update)
    return null
  }
  const digests = open.get(upload)
  open.delete(upload)
  return step === 'finish' && digests ? digests.finish() : null
}

parentPort!.on('message', (question: DigestQuestion) => {
  parentPort!.postMessage({ id: question.id, digests: answer(question) } satisfies DigestAnswer)
})
