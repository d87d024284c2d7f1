"""What one transaction writes bears one time, as on a server whose history tells what was written together."""

from waykeeper.sandbox.store import Store


def test_all_of_a_transaction_bears_one_time_and_the_next_a_later_or_the_same():
    store = Store(":memory:")
    try:
        times = []
        for _ in range(2):
            with store.transaction():
                bodies = [{"resourceType": "Patient", "id": f"p{n}"} for n in range(200)]
                found = [store.put("Patient", body["id"], body, "PUT") for body in bodies]
            assert len({stored.updated for stored in found}) == 1
            times.append(found[0].updated)
        assert times[0] <= times[1]
    finally:
        store.close()
