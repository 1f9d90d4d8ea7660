// Secrets of the house: keys for people and scripts, tokens in links. They are derived from one server secret and an id,
// so the database holds hashes only, and a copy of it opens nothing.
import { createHash, createHmac } from 'node:crypto'

/** Without look-alikes: a token is retyped by people, and some units change the case of a URL. */
export const TOKEN_SIGNS = '23456789abcdefghjkmnpqrstuvwxyz'
export const TOKEN_LENGTH = 16
const KEY_LENGTH = 40
const KEY_PREFIX = 'fmk-'

/** `length` signs of TOKEN_SIGNS, uniform to within 2^-98: 256 bits of HMAC-SHA-256 (RFC 2104) read as one number. */
function derive(serverSecret: string, purpose: string, length: number): string {
  let text = ''
  for (let block = 0; text.length < length; block += 1) {
    let rest = BigInt(`0x${createHmac('sha256', serverSecret).update(`${purpose}:${block}`).digest('hex')}`)
    // 31^20 < 2^100: of each 256-bit number 20 signs are taken, the rest keeps the bias out.
    for (let i = 0; i < 20 && text.length < length; i += 1) {
      text += TOKEN_SIGNS[Number(rest % BigInt(TOKEN_SIGNS.length))]
      rest /= BigInt(TOKEN_SIGNS.length)
    }
  }
  return text
}

export const linkToken = (serverSecret: string, linkId: string): string =>
  derive(serverSecret, `link:${linkId}`, TOKEN_LENGTH)

export const keySecret = (serverSecret: string, keyId: string): string =>
  KEY_PREFIX + derive(serverSecret, `key:${keyId}`, KEY_LENGTH)

/** A session's cookie, and the token that must come with every change made by it. */
export const sessionSecrets = (serverSecret: string, sessionId: string): { cookie: string; csrf: string } => ({
  cookie: derive(serverSecret, `session:${sessionId}`, KEY_LENGTH),
  csrf: derive(serverSecret, `csrf:${sessionId}`, KEY_LENGTH),
})

/** What is stored. A plain hash is enough: the secrets have 79 bits and more, nobody can try them all. */
export const hashSecret = (secret: string): string => createHash('sha256').update(secret).digest('hex')

/** Tokens are read in any letter case. */
export const hashToken = (token: string): string => hashSecret(token.toLowerCase())
