local base = os.getenv("LIST") or "/v1/public/listings"
function init() math.randomseed(tonumber(tostring({}):match("0x(%x+)"), 16) % 2147483647) end
function request() return wrk.format("GET", base .. "/" .. 1000 + math.random(20000)) end
