// Gives a socket that the byte server does not answer to a node:http server, as if it had accepted it.
import type { Server } from 'node:http'
import type { Socket } from 'node:net'

export function handOverTo(server: Server): (socket: Socket, bytesRead: Buffer) => void {
  return (socket, bytesRead) => {
    // After the client's FIN nothing can be put back into the stream; this takes a request that was pipelined behind a
    // download on a half-closed connection.
    if (socket.destroyed || socket.readableEnded) {
      socket.on('error', () => {})
      socket.destroy()
      return
    }
    socket.unshift(bytesRead)
    server.emit('connection', socket)
    socket.resume()
  }
}
