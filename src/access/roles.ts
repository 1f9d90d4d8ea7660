// Who may do what. Pure. The four roles of the house.

export const ROLES = ['integrator', 'operator', 'auditor', 'check-in'] as const
export type Role = (typeof ROLES)[number]

/** What a route asks for: to read, to run tasks, to run the server. `check-in` keys may do none of these. */
export type Need = 'read' | 'operate' | 'integrate'

const GRANTS: Record<Role, readonly Need[]> = {
  integrator: ['read', 'operate', 'integrate'],
  operator: ['read', 'operate'],
  auditor: ['read'],
  'check-in': [],
}

export const may = (role: Role, need: Need): boolean => GRANTS[role].includes(need)

/** Whether link tokens and command texts are shown to this role in full. */
export const seesSecrets = (role: Role): boolean => may(role, 'operate')
