-- Lists of 24 with random filters, sorted: the same questions for every service.
local base = os.getenv("LIST") or "/v1/public/listings"
local gauges = { "88.9", "127", "184.15" }
local whytes = { "0-4-0", "0-6-0", "2-6-2", "4-4-2", "4-6-0", "0-4-4" }
local sorts = { "asking_price", "-asking_price", "-on_show_since", "stock_no" }

function init() math.randomseed(tonumber(tostring({}):match("0x(%x+)"), 16) % 2147483647) end

function request()
    local filters = { "limit=24", "sort=" .. sorts[math.random(#sorts)] }
    if math.random(2) == 1 then filters[#filters + 1] = "gauge_mm=" .. gauges[math.random(#gauges)] end
    if math.random(2) == 1 then filters[#filters + 1] = "whyte=" .. whytes[math.random(#whytes)] end
    if math.random(2) == 1 then
        local least = math.random(40) * 250
        filters[#filters + 1] = "asking_price_from=" .. least .. ".00&asking_price_to=" .. least + math.random(20) * 500 .. ".00"
    end
    return wrk.format("GET", base .. "?" .. table.concat(filters, "&"))
end
