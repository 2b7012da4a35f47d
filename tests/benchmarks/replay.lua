-- Requests from a file, one after the other, for wrk. After "--": the file, the line to begin with.
-- A line: method, tab, path, tab, body (JSON, or nothing). The last line printed is JSON.

local prepared, at = {}, 0

function init(args)
  local typed = { ["Content-Type"] = "application/fhir+json" }
  for line in io.lines(args[1]) do
    local method, path, body = line:match("^(%u+)\t([^\t]+)\t?(.*)$")
    if body == "" then
      prepared[#prepared + 1] = wrk.format(method, path)
    else
      prepared[#prepared + 1] = wrk.format(method, path, typed, body)
    end
  end
  at = tonumber(args[2]) % #prepared
end

function request()
  at = at % #prepared + 1
  return prepared[at]
end

function done(summary, latency)
  local broken = summary.errors
  io.write(string.format(
    '{"requests": %d, "microseconds": %d, "p50": %d, "p99": %d, "refused": %d, "broken": %d}\n',
    summary.requests, summary.duration, latency:percentile(50), latency:percentile(99),
    broken.status, broken.connect + broken.read + broken.write + broken.timeout
  ))
end
