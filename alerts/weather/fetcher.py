"""Documents of one web service by GET: patient, frugal, and never led to another host.

Asking twice does no harm, so a service that is busy is asked again. Answers are used as long as
the service allows and after that confirmed rather than fetched anew.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from datetime import datetime, timedelta

import httpx

from alerts.domain.errors import ConfigurationError, WeatherError
from alerts.weather.freshness import KeptAnswer, KeptAnswers, kept_answer, retry_after_s

WAITS_S = (5.0, 10.0)  # the limit of the National Weather Service clears within about 5 s
LONGEST_WAIT_S = 60.0  # asked to wait longer, the caller hears of it instead
MOST_REDIRECTS = 3
NO_HOLD = timedelta(0)


class Fetcher:
    """GET for one host.

    Parameters
    ----------
    base_url : http or https address; its scheme, host and port are the only ones ever asked
    headers : sent with every request
    clock : gives the present, aware
    sleep : waits so many seconds
    timeout_s : longest one request may take, its answer included [s]
    client : for tests; by default a client of its own, closed by `aclose`

    Raises ConfigurationError for a base that is no web address.
    """

    def __init__(
        self,
        *,
        base_url: str,
        headers: Mapping[str, str],
        clock: Callable[[], datetime],
        sleep: Callable[[float], Awaitable[None]],
        timeout_s: float,
        client: httpx.AsyncClient | None = None,
    ) -> None:
        self.base = _web_address(base_url)
        self._headers = dict(headers)
        self._clock = clock
        self._sleep = sleep
        self._timeout_s = timeout_s
        self._client = client or httpx.AsyncClient()
        self._owns_client = client is None
        self._kept = KeptAnswers()

    async def get(
        self, url: httpx.URL, *, hold: timedelta = NO_HOLD, recheck: bool = False
    ) -> bytes | None:
        """Body of the document at `url`; None where the service answers 404.

        Parameters
        ----------
        url : address on the host of the base
        hold : least time an answer is used before the service is asked again
        recheck : True asks the service even where an answer is still good

        Raises WeatherError when it cannot be had, or lies on another host.
        """
        self._refuse_stranger(url)
        known = self._kept.get(str(url))
        if known is not None and not recheck and self._clock() < known.fresh_until:
            return known.body
        response = await self._patiently(url, known.conditions() if known else {})
        if response.status_code == httpx.codes.NOT_FOUND:
            self._kept.forget(str(url))
            return None
        if response.status_code == httpx.codes.NOT_MODIFIED and known is not None:
            self._kept.put(str(url), known.confirmed(response.headers, self._clock(), hold))
            return known.body
        return self._taken(url, response, hold)

    def joined(self, address: str) -> httpx.URL:
        """An address out of a document, made whole; WeatherError where it leaves the host."""
        return self._joined(self.base, address)

    async def aclose(self) -> None:
        if self._owns_client:
            await self._client.aclose()

    def _taken(self, url: httpx.URL, response: httpx.Response, hold: timedelta) -> bytes:
        if response.status_code != httpx.codes.OK:
            raise self._error(f"answered HTTP {response.status_code}")
        body = response.content
        answer: KeptAnswer | None = kept_answer(body, response.headers, self._clock(), hold)
        if answer is None:
            self._kept.forget(str(url))
        else:
            self._kept.put(str(url), answer)
        return body

    async def _patiently(self, url: httpx.URL, conditions: Mapping[str, str]) -> httpx.Response:
        for usual_wait_s in WAITS_S:
            response = await self._followed(url, conditions)
            if not _is_busy(response):
                return response
            asked_s = retry_after_s(response.headers, self._clock())
            wait_s = usual_wait_s if asked_s is None else asked_s
            if wait_s > LONGEST_WAIT_S:
                raise self._error(f"is busy and asks for {wait_s:.0f} seconds of patience")
            await self._sleep(wait_s)
        return await self._followed(url, conditions)

    async def _followed(self, url: httpx.URL, conditions: Mapping[str, str]) -> httpx.Response:
        for _ in range(MOST_REDIRECTS + 1):
            response = await self._once(url, conditions)
            if not response.has_redirect_location:
                return response
            url = self._joined(url, response.headers["Location"])
        raise self._error("sends from one address to the next without an end")

    async def _once(self, url: httpx.URL, conditions: Mapping[str, str]) -> httpx.Response:
        try:
            async with asyncio.timeout(self._timeout_s):
                return await self._client.get(
                    url,
                    headers={**self._headers, **conditions},
                    timeout=self._timeout_s,
                    follow_redirects=False,
                )
        except (httpx.HTTPError, TimeoutError) as error:
            raise self._error(f"did not answer ({type(error).__name__})") from error

    def _joined(self, url: httpx.URL, address: str) -> httpx.URL:
        try:
            joined = url.join(address)
        except httpx.InvalidURL as error:
            raise self._error("gives an unreadable address") from error
        self._refuse_stranger(joined)
        return joined

    def _refuse_stranger(self, url: httpx.URL) -> None:
        """Whoever answers for the service must not send us about in somebody's own network."""
        if _origin(url) != _origin(self.base) or url.userinfo:
            raise self._error(f"points to another host ({url.host or 'none'}), which is not asked")

    def _error(self, what: str) -> WeatherError:
        return WeatherError(
            f"The weather service at {self.base.netloc.decode()} {what}; "
            "check its address, or ask again later."
        )


def _is_busy(response: httpx.Response) -> bool:
    return response.status_code == httpx.codes.TOO_MANY_REQUESTS or response.is_server_error


def _origin(url: httpx.URL) -> tuple[str, str, int | None]:
    return url.scheme, url.host, url.port


def _web_address(raw: str) -> httpx.URL:
    wrong = ConfigurationError(
        f"{raw!r} is not the address of a weather service; "
        "it should look like https://weather.example.org."
    )
    try:
        url = httpx.URL(raw.strip().rstrip("/"))
    except httpx.InvalidURL as error:
        raise wrong from error
    if url.scheme not in ("http", "https") or not url.host or url.userinfo:
        raise wrong
    return url
